"""From one document to the rows that evidence is pooled from: one per comparison and outcome."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
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
            of_trial = self._of_trial(index, trial)
            if trial.assessors:
                yield self._counts(index, trial, of_trial)
            if not trial.is_sham:
                yield from self._beside(index, trial, of_trial)

    def measured_rows(self) -> Iterator[ObservationRow]:
        # What tasters answer is never read off a batch, whatever its `measured` holds under such a name.
        own = [goal.outcome for goal in self.checked.protocol.outcomes if goal.outcome not in TASTING_OUTCOMES]
        outcomes = [outcome_named(name) for name in dict.fromkeys([*OUTCOMES, *own])]
        for arms in self.checked.measured_comparisons:
            of_arms = self._of_arms(arms)
            vessels = [self.checked.batches_of(arm) for arm in arms]
            for outcome in outcomes:
                row = self._measured(vessels, outcome, of_arms)
                if row is not None:
                    yield row

    def _of_trial(self, index: int, trial: TrialDocument) -> dict[str, Any]:
        """Give what every row of a trial says, whatever was answered."""
        arms = (trial.control, trial.treatment)
        return {
            "control": trial.control,
            "treatment": trial.treatment,
            "sealed": trial.is_sealed,
            "registered": before_tasting(trial, self.registered_at),
            "conditions_met": conditions_met(self.checked, arms, tasted=True),
            "flags": names_for(self.flags, tasting=True, trial=index, arms=arms),
            "moderators": self.checked.document.conditions,
        }

    def _counts(self, index: int, trial: TrialDocument, of_trial: Mapping[str, Any]) -> ObservationRow:
        return ObservationRow(
            **of_trial,
            outcome=PERCEIVABLE_DIFFERENCE,
            sham=trial.is_sham,
            method=trial.method,
            presented=trial.presented,
            correct=trial.correct,
            assessors=len(trial.assessors),
            details={**_identity(index, trial), "planned": trial.planned},
            outside_the_test=outside_the_test(trial),
        )

    def _beside(self, index: int, trial: TrialDocument, of_trial: Mapping[str, Any]) -> Iterator[ObservationRow]:
        """Make the rows of what was asked beside the sets, where anything was answered."""
        if trial.preferred is not None:
            liked = trial.preferred.model_dump()
            yield from self._asked(index, trial, of_trial, PREFERENCE, sum(liked.values()), liked)
        terms = [counts.model_dump() for counts in trial.descriptors]
        asked = max((sum(counts[key] for key in counts if key != "term") for counts in terms), default=0)
        yield from self._asked(index, trial, of_trial, DESCRIPTORS, asked, {"terms": terms})

    def _asked(
        self,
        index: int,
        trial: TrialDocument,
        of_trial: Mapping[str, Any],
        outcome: str,
        presented: int,
        details: Mapping[str, object],
    ) -> Iterator[ObservationRow]:
        if not presented:
            return
        outside = outside_the_test(trial)
        yield ObservationRow(
            **of_trial,
            outcome=outcome,
            presented=presented,
            assessors=len(trial.assessors) or None,
            details={**_identity(index, trial), **details},
            # Orders in blocks help to find the odd glass, and nobody to like one better.
            outside_the_test=outside if outside in {"taster_held_key", "told_during"} else None,
        )

    def _of_arms(self, arms: Comparison) -> dict[str, Any]:
        """Give what every row of a measured comparison says, whatever was read."""
        return {
            "control": arms[0],
            "treatment": arms[1],
            "conditions_met": conditions_met(self.checked, arms, tasted=False),
            "flags": names_for(self.flags, tasting=False, trial=None, arms=arms),
            "moderators": self.checked.document.conditions,
        }

    def _measured(
        self, vessels: Sequence[Sequence[BatchDocument]], outcome: Outcome, of_arms: Mapping[str, Any]
    ) -> ObservationRow | None:
        waiting = outcome.waiting
        if waiting is not None and any(waiting.still_going(batch) is not None for batch in chain(*vessels)):
            return self._unfinished(vessels, outcome, waiting, of_arms)
        control = _Side.of(vessels[0], outcome)
        treatment = None if control is None else _Side.of(vessels[1], outcome)
        if control is None or treatment is None:
            return None
        events = outcome.scale == "yes_no"
        return ObservationRow(
            **of_arms,
            outcome=outcome.name,
            registered=before_pitching([*control.batches, *treatment.batches], self.registered_at),
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

    def _unfinished(
        self,
        vessels: Sequence[Sequence[BatchDocument]],
        outcome: Outcome,
        waiting: Waiting,
        of_arms: Mapping[str, Any],
    ) -> ObservationRow | None:
        """Make the row of a pair whose difference isn't known, because a vessel had not finished."""
        control, treatment = (Finish.of(batches, waiting) for batches in vessels)
        if control is None or treatment is None:
            return None
        return ObservationRow(
            **of_arms,
            outcome=outcome.name,
            registered=before_pitching([*chain(*vessels)], self.registered_at),
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


@dataclass(frozen=True, slots=True)
class _Side:
    """One arm's vessels on which an outcome was measured."""

    batches: Sequence[BatchDocument]
    mean: float
    variance: float | None

    @classmethod
    def of(cls, batches: Sequence[BatchDocument], outcome: Outcome) -> "_Side | None":
        read: list[tuple[BatchDocument, Measurement]] = [
            (batch, found) for batch in batches if (found := outcome.read(batch)) is not None
        ]
        if not read:
            return None
        if len(read) == 1:
            ((batch, found),) = read
            return cls([batch], found.value + 0.0, found.variance)  # there is no nought below nought in a mean
        mean = sum(found.value for _, found in read) / len(read)
        variances = [found.variance for _, found in read if found.variance is not None]
        variance = sum(variances) / len(read) ** 2 if len(variances) == len(read) else None
        return cls([batch for batch, _ in read], mean, variance)

    @property
    def all_yes(self) -> bool:
        return self.mean == 1.0


def _identity(index: int, trial: TrialDocument) -> dict[str, object]:
    return {"sealed_trial": str(trial.id)} if isinstance(trial, SealedTrialDocument) else {"trial": index + 1}


def _sum_known(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other
