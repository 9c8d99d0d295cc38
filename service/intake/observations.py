"""From one document to the rows that evidence is pooled from: one per comparison and outcome."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from service.intake.conditions import conditions_met
from service.intake.documents import (
    DESCRIPTORS,
    PERCEIVABLE_DIFFERENCE,
    PREFERENCE,
    TASTING_OUTCOMES,
    BatchDocument,
    TrialDocument,
)
from service.intake.finishing import Finish, finished_first
from service.intake.flags import Flag, names_for
from service.intake.outcomes import OUTCOMES, Measurement, Outcome, Waiting, outcome_named
from service.intake.protocol_check import Checked, Comparison
from service.intake.registration import before_pitching, before_tasting
from service.intake.trial_confounds import outside_the_test
from service.intake.trial_documents import SealedTrialDocument
from service.record.rows import ObservationRow, TrialRow


@dataclass(frozen=True, slots=True)
class Reduced:
    """What a document comes down to."""

    trials: tuple[TrialRow, ...]
    observations: tuple[ObservationRow, ...]


def reduce(checked: Checked, flags: Sequence[Flag], *, registered_at: datetime | None) -> Reduced:
    """Reduce a document to rows; a registration has none yet.

    Parameters
    ----------
    checked : Checked
        A document that fits its protocol.
    flags : sequence of Flag
        From `confounds.find`; each row carries the names of those that bear on it.
    registered_at : datetime or None
        When the plan was stamped; None where it never was.

    """
    tasted = [trial for trial in checked.document.trials if trial.assessors and not trial.is_sealed]
    trials = tuple(_trial_row(trial) for trial in tasted)
    if checked.document.state == "registered":
        return Reduced(trials, ())
    context = _Context(checked, tuple(flags), registered_at)
    return Reduced(trials, (*context.tasting_rows(), *context.measured_rows()))


def _trial_row(trial: TrialDocument) -> TrialRow:
    tasted = trial.tasted_on
    return TrialRow(
        method=trial.method,
        control=trial.control,
        treatment=trial.treatment,
        presented=trial.presented,
        correct=trial.correct,
        assessors=len(trial.assessors),
        planned=trial.planned,
        order_draw=trial.order_draw,
        told_during=trial.told_during,
        key_held_by=trial.key_held_by,
        tasted_on=tasted.astimezone(UTC).date() if isinstance(tasted, datetime) else tasted,
    )


@dataclass(frozen=True, slots=True)
class _Context:
    checked: Checked
    flags: tuple[Flag, ...]
    registered_at: datetime | None

    def tasting_rows(self) -> Iterator[ObservationRow]:
        for index, trial in enumerate(self.checked.document.trials):
            if trial.assessors:
                yield self._counts(index, trial)
            if not trial.is_sham:
                yield from self._beside(index, trial)

    def measured_rows(self) -> Iterator[ObservationRow]:
        # What tasters answer is never read off a batch, whatever its `measured` holds under such a name.
        own = [goal.outcome for goal in self.checked.protocol.outcomes if goal.outcome not in TASTING_OUTCOMES]
        outcomes = [outcome_named(name) for name in dict.fromkeys([*OUTCOMES, *own])]
        for arms in self.checked.measured_comparisons:
            for outcome in outcomes:
                row = self._measured(arms, outcome)
                if row is not None:
                    yield row

    def _counts(self, index: int, trial: TrialDocument) -> ObservationRow:
        arms = (trial.control, trial.treatment)
        return ObservationRow(
            control=trial.control,
            treatment=trial.treatment,
            outcome=PERCEIVABLE_DIFFERENCE,
            sham=trial.is_sham,
            method=trial.method,
            presented=trial.presented,
            correct=trial.correct,
            assessors=len(trial.assessors),
            details={**_identity(index, trial), "planned": trial.planned},
            sealed=trial.is_sealed,
            registered=before_tasting(trial, self.registered_at),
            conditions_met=conditions_met(self.checked, arms, PERCEIVABLE_DIFFERENCE),
            outside_the_test=outside_the_test(trial),
            flags=names_for(self.flags, tasting=True, trial=index, arms=arms),
            moderators=dict(self.checked.document.conditions),
        )

    def _beside(self, index: int, trial: TrialDocument) -> Iterator[ObservationRow]:
        """Make the rows of what was asked beside the sets, where anything was answered."""
        if trial.preferred is not None:
            liked = trial.preferred.model_dump()
            yield from self._asked(index, trial, PREFERENCE, sum(liked.values()), liked)
        terms = [counts.model_dump() for counts in trial.descriptors]
        asked = max((sum(counts[key] for key in counts if key != "term") for counts in terms), default=0)
        yield from self._asked(index, trial, DESCRIPTORS, asked, {"terms": terms})

    def _asked(
        self, index: int, trial: TrialDocument, outcome: str, presented: int, details: Mapping[str, object]
    ) -> Iterator[ObservationRow]:
        if not presented:
            return
        arms = (trial.control, trial.treatment)
        outside = outside_the_test(trial)
        yield ObservationRow(
            control=trial.control,
            treatment=trial.treatment,
            outcome=outcome,
            presented=presented,
            assessors=len(trial.assessors) or None,
            details={**_identity(index, trial), **details},
            sealed=trial.is_sealed,
            registered=before_tasting(trial, self.registered_at),
            conditions_met=conditions_met(self.checked, arms, outcome),
            # Orders in blocks help to find the odd glass, and nobody to like one better.
            outside_the_test=outside if outside in {"taster_held_key", "told_during"} else None,
            flags=names_for(self.flags, tasting=True, trial=index, arms=arms),
            moderators=dict(self.checked.document.conditions),
        )

    def _measured(self, arms: Comparison, outcome: Outcome) -> ObservationRow | None:
        waiting = outcome.waiting
        vessels = [batch for arm in arms for batch in self.checked.batches_of(arm)]
        if waiting is not None and any(waiting.still_going(batch) is not None for batch in vessels):
            return self._unfinished(arms, outcome, waiting)
        control, treatment = (_Side.of(self.checked.batches_of(arm), outcome) for arm in arms)
        if control is None or treatment is None:
            return None
        events = outcome.scale == "yes_no"
        return ObservationRow(
            **self._of_arms(arms, outcome, [*control.batches, *treatment.batches]),
            difference=None if events else treatment.mean - control.mean,
            variance=None if events else _sum_known(control.variance, treatment.variance),
            control_event=control.all_yes if events else None,
            treatment_event=treatment.all_yes if events else None,
            details={
                "scale": outcome.scale,
                "unit": outcome.unit,
                "control_value": outcome.shown(control.mean),
                "treatment_value": outcome.shown(treatment.mean),
                "control_batches": len(control.batches),
                "treatment_batches": len(treatment.batches),
            },
        )

    def _unfinished(self, arms: Comparison, outcome: Outcome, waiting: Waiting) -> ObservationRow | None:
        """Make the row of a pair whose difference isn't known, because a vessel had not finished."""
        vessels = [self.checked.batches_of(arm) for arm in arms]
        control, treatment = (Finish.of(batches, waiting) for batches in vessels)
        if control is None or treatment is None:
            return None
        return ObservationRow(
            **self._of_arms(arms, outcome, [batch for batches in vessels for batch in batches]),
            details={
                "scale": outcome.scale,
                "unit": outcome.unit,
                "control_value": control.at,
                "treatment_value": treatment.at,
                "control_still_going_at": control.seen_going,
                "treatment_still_going_at": treatment.seen_going,
                "control_batches": control.vessels,
                "treatment_batches": treatment.vessels,
                "finished_first": finished_first(control, treatment),
            },
        )

    def _of_arms(self, arms: Comparison, outcome: Outcome, batches: Sequence[BatchDocument]) -> dict[str, Any]:
        """Give what a row says of a measured comparison, whatever its figures."""
        return {
            "control": arms[0],
            "treatment": arms[1],
            "outcome": outcome.name,
            "registered": before_pitching(batches, self.registered_at),
            "conditions_met": conditions_met(self.checked, arms, outcome.name),
            "flags": names_for(self.flags, tasting=False, trial=None, arms=arms),
            "moderators": dict(self.checked.document.conditions),
        }


@dataclass(frozen=True, slots=True)
class _Side:
    """One arm's vessels on which an outcome was measured."""

    batches: tuple[BatchDocument, ...]
    mean: float
    variance: float | None

    @classmethod
    def of(cls, batches: Sequence[BatchDocument], outcome: Outcome) -> "_Side | None":
        read: list[tuple[BatchDocument, Measurement]] = [
            (batch, found) for batch in batches if (found := outcome.read(batch)) is not None
        ]
        if not read:
            return None
        values = [found.value for _, found in read]
        variances = [found.variance for _, found in read if found.variance is not None]
        known = len(variances) == len(read)
        variance = sum(variances) / len(read) ** 2 if known else None
        return cls(tuple(batch for batch, _ in read), sum(values) / len(values), variance)

    @property
    def all_yes(self) -> bool:
        return self.mean == 1.0


def _identity(index: int, trial: TrialDocument) -> dict[str, object]:
    return {"sealed_trial": str(trial.id)} if isinstance(trial, SealedTrialDocument) else {"trial": index + 1}


def _sum_known(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other
