"""Does a document fit its question and protocol: what can't be is refused, what is unlike the plan is flagged."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from service.intake.documents import BatchDocument, Plan, ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.flags import Flag
from service.intake.lookup import is_recorded, named_fields
from service.intake.refusals import Fault, invalid
from service.intake.trial_documents import TrialDocument

SIGNIFICANCE = 0.05

_NOTHING_PLANNED = Plan()

Comparison = tuple[str, str]
"""Arm keys: control, treatment."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A document that fits, with the plan filled in from the protocol."""

    document: ReplicationDocument
    question: QuestionDocument
    protocol: ProtocolDocument
    plan: Plan
    deviations: tuple[Flag, ...]

    def batches_of(self, arm: str) -> list[BatchDocument]:
        """Return the vessels of one arm, in the order given."""
        return [batch for batch in self.document.batches if batch.arm == arm]

    @property
    def planned_comparison(self) -> Comparison:
        """The arms that the plan sets against each other."""
        return (
            self.plan.control or self.question.control.key,
            self.plan.treatment or self.question.treatments[0].key,
        )

    @property
    def tasted_comparisons(self) -> list[Comparison]:
        """The pairs of arms that were tasted against each other, each once; the plan's where none was yet."""
        tasted = dict.fromkeys((trial.control, trial.treatment) for trial in self.document.trials if not trial.is_sham)
        return list(tasted) or [self.planned_comparison]

    @property
    def measured_comparisons(self) -> list[Comparison]:
        """The pairs of arms whose measurements are set against each other."""
        if self.protocol.pairs is not None:
            return list(dict.fromkeys((pair.control, pair.treatment) for pair in self.protocol.pairs))
        return [(self.question.control.key, arm.key) for arm in self.question.treatments]


def check(
    document: ReplicationDocument, question: QuestionDocument, protocol: ProtocolDocument, usual: Plan | None = None
) -> Checked:
    """Set a document against its question and the protocol version that it names.

    Parameters
    ----------
    document, question, protocol
        What was sent, and what it names.
    usual : Plan or None
        An empty plan filled in from the protocol, where that is at hand.

    Raises
    ------
    Refused
        Where it names an arm that the question doesn't have, or compares arms the wrong way round.

    """
    faults = [*_unknown_arms(document, question), *_turned_round(document, question)]
    if faults:
        raise invalid(faults)
    plan = (
        usual if usual is not None and document.plan == _NOTHING_PLANNED else filled(document.plan, question, protocol)
    )
    checked = Checked(document, question, protocol, plan, ())
    deviations = (*_plan_deviations(checked), *_trial_deviations(checked), *_missing(checked))
    return Checked(document, question, protocol, plan, deviations)


def check_protocol(question: QuestionDocument, protocol: ProtocolDocument) -> None:
    """Refuse a protocol that compares arms which its question doesn't have."""
    named: list[tuple[str, Comparison]] = []
    if protocol.trial is not None:
        named.append(("/trial", (protocol.trial.control, protocol.trial.treatment)))
    named += [(f"/pairs/{index}", (pair.control, pair.treatment)) for index, pair in enumerate(protocol.pairs or [])]
    faults = [fault for where, comparison in named for fault in _bad_comparison(where, comparison, question)]
    if faults:
        raise invalid(faults)


def filled(plan: Plan, question: QuestionDocument, protocol: ProtocolDocument) -> Plan:
    """Return a plan with what it leaves out taken from the protocol."""
    trial = protocol.trial
    from_protocol = {
        "method": trial.method if trial else None,
        "control": trial.control if trial else question.control.key,
        "treatment": trial.treatment if trial else question.treatments[0].key,
        "presentations": trial.presentations if trial else None,
        "primary_outcome": protocol.primary.outcome,
        "significance": SIGNIFICANCE,
    }
    return Plan.model_validate(from_protocol | plan.model_dump(exclude_none=True))


def _known(question: QuestionDocument) -> dict[str, str]:
    return {arm.key: arm.label for arm in question.arms}


def _no_such_arm(pointer: str, question: QuestionDocument) -> Fault:
    return Fault(pointer, f"the question has no such arm; use one of {', '.join(_known(question))}")


def _unknown_arms(document: ReplicationDocument, question: QuestionDocument) -> Iterator[Fault]:
    named: list[tuple[str, str | None]] = [
        ("/plan/control", document.plan.control),
        ("/plan/treatment", document.plan.treatment),
    ]
    named += [(f"/batches/{index}/arm", batch.arm) for index, batch in enumerate(document.batches)]
    for index, trial in enumerate(document.trials):
        named += [(f"/trials/{index}/control", trial.control), (f"/trials/{index}/treatment", trial.treatment)]
    arms = _known(question)
    return (_no_such_arm(pointer, question) for pointer, arm in named if arm is not None and arm not in arms)


def _turned_round(document: ReplicationDocument, question: QuestionDocument) -> Iterator[Fault]:
    """Find the question's control written as the treatment: counted so, its answers would pool with the sign lost."""
    control = question.control.key
    plan = document.plan
    if plan.control is not None and plan.control == plan.treatment:
        yield Fault("/plan/treatment", "a plan compares two arms; name another one")
    elif plan.treatment == control:
        yield Fault("/plan/treatment", "this is the question's control; write it under control")
    for index, trial in enumerate(document.trials):
        if trial.treatment == control and not trial.is_sham:
            yield Fault(f"/trials/{index}/treatment", "this is the question's control; write it under control")


def _bad_comparison(where: str, comparison: Comparison, question: QuestionDocument) -> Iterable[Fault]:
    arms = _known(question)
    faults = [
        _no_such_arm(f"{where}/{side}", question)
        for side, arm in zip(("control", "treatment"), comparison, strict=True)
        if arm not in arms
    ]
    if comparison[0] == comparison[1]:
        faults.append(Fault(f"{where}/treatment", "two different arms are compared; name another one"))
    elif comparison[1] == question.control.key:
        faults.append(Fault(f"{where}/treatment", "this is the question's control; write it under control"))
    return faults


def _plan_deviations(checked: Checked) -> Iterator[Flag]:
    given = checked.document.plan.model_dump(exclude_none=True)
    if not given:
        return
    usual = filled(Plan(), checked.question, checked.protocol).model_dump()
    unlike = [name for name, value in given.items() if usual[name] not in {None, value}]
    if unlike:
        detail = f"The plan departs from the protocol in {', '.join(unlike)}."
        yield Flag("plan_unlike_protocol", detail, {"fields": len(unlike)})


def _trial_deviations(checked: Checked) -> Iterator[Flag]:
    plan = checked.plan
    for index, trial in enumerate(checked.document.trials):
        if trial.is_sham:
            continue
        if (trial.control, trial.treatment) != checked.planned_comparison:
            yield Flag(
                "comparison_unlike_plan", f"{trial.name_at(index)} sets other arms against each other.", trial=index
            )
            continue
        if plan.method is not None and trial.method != plan.method:
            detail = f"{trial.name_at(index)} is a {trial.method}; the plan names {plan.method}."
            yield Flag("method_unlike_plan", detail, trial=index)
        yield from _count_unlike_plan(checked, index, trial)


def _count_unlike_plan(checked: Checked, index: int, trial: TrialDocument) -> Iterator[Flag]:
    """Several tasters, or several sittings, may share the planned number or have had it each: either is as planned."""
    planned = checked.plan.presentations
    sittings = [
        each for each in checked.document.trials if (each.control, each.treatment) == checked.planned_comparison
    ]
    if planned is None or not trial.presented or _fits(planned, [trial]) or _fits(planned, sittings):
        return
    detail = f"{trial.name_at(index)} presented {trial.presented} sets; the plan names {planned}."
    yield Flag("count_unlike_plan", detail, {"planned": planned, "presented": trial.presented}, trial=index)


def _fits(planned: int, trials: list[TrialDocument]) -> bool:
    tasters = {count.assessor for trial in trials for count in trial.assessors}
    return sum(trial.presented for trial in trials) in {planned, planned * len(tasters)}


def _missing(checked: Checked) -> Iterator[Flag]:
    if checked.document.state == "registered":
        return
    batches = checked.document.batches
    for name in named_fields(checked.protocol.measurements):
        without = [batch.batch for batch in batches if not is_recorded(batch, name)]
        if without:
            detail = f"{name} is missing on {len(without)} of {len(batches)} batches."
            yield Flag("measurement_missing", detail, {"missing": len(without), "batches": len(batches)})
    compared = {arm for comparison in checked.tasted_comparisons for arm in comparison}
    for arm in checked.question.arms:
        if arm.key in compared and not checked.batches_of(arm.key):
            yield Flag("arm_without_batch", f"No batch of {arm.label} is in the document.")
