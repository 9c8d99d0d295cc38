"""The evidence answer: a function of the record up to one ledger position, and of nothing else."""

from service.evidence import shape
from service.evidence.certainty import Certainty, Claim, certainty
from service.evidence.collect import PERCEIVABLE, Collected, Counted, collect, counted
from service.evidence.filters import Filters
from service.evidence.measured import MeasuredOutcome, measured
from service.evidence.method import METHOD_VERSION, SOURCES
from service.evidence.next_step import next_step
from service.evidence.outcomes import MEASURED
from service.evidence.perceivable import Tasted, tasted
from service.evidence.shape import (
    AsOf,
    Comparison,
    EvidenceAnswer,
    MethodNote,
    QuestionShown,
)
from service.evidence.wording import NOTHING_YET, measured_answer, tasted_answer, tasted_beside
from service.record.database import Session
from service.record.tables import Question

_DRINKING = "Tasting is drinking: pour small, spit, spread it over days, and don't drive."
_DISTILLING = (
    "Distilling at home is unlawful in many places: follow local law, licences and fire codes. Alcohol vapour burns; a "
    "heated wash gives it off well below boiling."
)


def answer(
    session: Session, question: Question, filters: Filters, position: int, *, public_url: str = ""
) -> EvidenceAnswer:
    """Pool what the record held about a question at a ledger position.

    Parameters
    ----------
    session : Session
        A reading session of the record.
    question : Question
        The question asked.
    filters : Filters
        The comparison, and the part of its replications that is asked about.
    position : int
        The last ledger entry that touches the question, at or before the state asked for.
    public_url : str
        Where the record is served, for the citation.

    Raises
    ------
    ComparisonUnknownError
        The arms named are not two arms of this question.

    """
    collected = collect(session, question, filters, position)
    trials = tasted(collected)
    outcomes = {name: measured(collected, name) for name in _measured_names(collected)}
    counts = counted(collected)
    weighed = None if filters.exploratory else certainty(_claim(collected, trials, outcomes, counts))
    return EvidenceAnswer(
        question=QuestionShown.model_validate(question),
        protocol_versions=[version.version for version in collected.protocols],
        comparison=Comparison(control=collected.control, treatment=collected.treatment),
        comparisons=_comparisons(question),
        filters=filters.shown(),
        exploratory=filters.exploratory,
        as_of=AsOf(position=collected.position, root_hash=collected.root_hash, at=collected.at),
        counted=shape.Counted.model_validate(counts),
        answer=_answer(collected, trials, outcomes),
        certainty=None if weighed is None else weighed.word,
        certainty_reasons=_reasons(weighed),
        perceivable_difference=trials.block,
        preference=None,
        descriptors=[],
        measured={name: outcome.block for name, outcome in outcomes.items()},
        finished_dry=None,
        next=next_step(collected, trials, outcomes),
        cautions=[_DRINKING, *([_DISTILLING] if question.stage == "distil" else [])],
        method=MethodNote(version=METHOD_VERSION, sources=list(SOURCES)),
        cite_as=_citation(collected, public_url),
    )


def _measured_names(collected: Collected) -> list[str]:
    """The measured outcomes that the protocol names, and those that every batch gives."""
    named = [name for name in collected.goals if name in MEASURED]
    return list(dict.fromkeys([*named, *MEASURED]))


def _comparisons(question: Question) -> list[Comparison]:
    control = next(arm["key"] for arm in question.arms if arm.get("is_control"))
    return [Comparison(control=control, treatment=arm["key"]) for arm in question.arms if arm["key"] != control]


def _label(collected: Collected, key: str) -> str:
    return str(next(arm["label"] for arm in collected.question.arms if arm["key"] == key))


def _answer(collected: Collected, trials: Tasted, outcomes: dict[str, MeasuredOutcome]) -> str:
    if not collected.rows:
        return NOTHING_YET if not collected.filters.exploratory else "No replication fits these filters."
    control, treatment = _label(collected, collected.control), _label(collected, collected.treatment)
    primary = outcomes.get(collected.primary)
    if primary is None or primary.figures.households == 0:
        said = tasted_answer(trials.figures, control, treatment)
        if trials.figures.households == 0 and primary is None:
            said = _only_measured(outcomes, control, treatment)
    else:
        first = measured_answer(primary.figures, primary.words, control, treatment)
        beside = tasted_beside(trials.figures) if PERCEIVABLE in collected.goals else ""
        said = f"{first} {beside}".strip()
    return f"In the part you chose: {said[:1].lower()}{said[1:]}" if collected.filters.exploratory else said


def _only_measured(outcomes: dict[str, MeasuredOutcome], control: str, treatment: str) -> str:
    reported = [outcome for outcome in outcomes.values() if outcome.figures.households]
    if not reported:
        return NOTHING_YET
    return f"Nobody has tasted blind yet. {measured_answer(reported[0].figures, reported[0].words, control, treatment)}"


def _reasons(weighed: Certainty | None) -> list[str]:
    if weighed is None:
        return ["a part of the replications, chosen by the reader: exploratory, so no certainty is given"]
    return list(weighed.reasons)


def _claim(collected: Collected, trials: Tasted, outcomes: dict[str, MeasuredOutcome], counts: Counted) -> Claim:
    primary = outcomes.get(collected.primary)
    return trials.claim(counts) if primary is None else primary.claim(counts)


def _citation(collected: Collected, public_url: str) -> str:
    question = collected.question
    return (
        f"Manybatch community record: “{question.title}”, pooled evidence at ledger position {collected.position} "
        f"({collected.at:%Y-%m-%d}, tree head {collected.root_hash[:16]}), method version {METHOD_VERSION}. "
        f"{public_url}/v1/questions/{question.slug}/evidence?as_of={collected.position}&method_version={METHOD_VERSION}"
    )
