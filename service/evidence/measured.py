"""What was measured: one number a household, treatment less control, and whether it matters."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import mean
from typing import Any
from uuid import UUID

import numpy as np

from service.evidence.blocks import (
    AnyTimeMean,
    Measured,
    MeasuredLeftOut,
    MeasuredRobustness,
    MeasuredStudy,
    MeasuredSubset,
    NextHousehold,
    SignCount,
    Withheld,
)
from service.evidence.certainty import Claim
from service.evidence.collect import Collected, Counted
from service.evidence.outcomes import OutcomeWords, words_for
from service.evidence.perceivable import LONGEST_LIST, silent
from service.evidence.wording import MeasuredFigures
from service.record.rows import RecordedObservation
from service.science.pooling.difference_results import DifferenceStudy, PooledDifferences
from service.science.pooling.household_mean import pool_household_differences
from service.science.pooling.without_two import verdicts_without_two

CANNOT_TELL = "cannot_tell_yet"


@dataclass(frozen=True, slots=True)
class MeasuredOutcome:
    """One pooled outcome, and what the answer and the certainty rule ask of it."""

    words: OutcomeWords
    pooled: PooledDifferences
    block: Measured
    figures: MeasuredFigures
    rows: Sequence[RecordedObservation]
    values: Sequence[float]

    def claim(self, counts: Counted) -> Claim:
        """Put the pooled outcome into the terms that the certainty rule weighs.

        Batch luck is in the spread between households, so that the interval holds it already.
        """
        robust, verdict = self.block.robustness, self.block.verdict
        return Claim(
            replications=counts.replications,
            households=self.figures.households,
            verdict=verdict,
            e_value=None,
            started=counts.started,
            reported=counts.reported,
            in_registered_or_sealed=len({row.household_id for row in self.rows if row.registered}),
            batch_luck_open=False,
            unchanged={
                "leaving out any two households": self._keeps_without_two(),
                "counting only the registered": robust.registered_only.verdict == verdict,
                "putting the retracted back": robust.with_retracted.verdict == verdict,
                "taking every silent start as no difference": robust.silent_as_zero.verdict == verdict,
            },
        )

    def _keeps_without_two(self) -> bool:
        smallest = self.figures.smallest_that_matters
        if smallest is None:
            return False
        return verdicts_without_two(np.array(self.values), smallest) == {self.block.verdict}


def measured(collected: Collected, outcome: str) -> MeasuredOutcome:
    """Pool one measured outcome over households."""
    rows = [row for row in collected.of(outcome) if row.difference is not None]
    words = words_for(outcome)
    goal = collected.goals.get(outcome, {})
    smallest = goal.get("smallest_difference_that_matters") or words.smallest_that_matters
    pooled = pool_household_differences([_study(row) for row in rows], smallest_that_matters=smallest)
    verdict = pooled.verdict or CANNOT_TELL
    block = Measured(
        unit=words.unit,
        scale=words.scale,
        households=pooled.households,
        estimate=pooled.estimate,
        low=pooled.low,
        high=pooled.high,
        standard_error=pooled.standard_error,
        p_value=pooled.p_value,
        any_time=AnyTimeMean.model_validate(pooled.any_time),
        next_household=NextHousehold(
            low=pooled.next_household.low,
            high=pooled.next_household.high,
            convention=_convention(pooled),
        ),
        sd_between_households=pooled.sd_between_households,
        reading_sd=pooled.reading_sd,
        sign_count=SignCount.model_validate(pooled.sign_count),
        studies=[study_of_record(row) for row in rows[:LONGEST_LIST]],
        studies_total=len(rows),
        robustness=_robustness(collected, rows, pooled, smallest),
        primary=collected.primary == outcome,
        smallest_difference_that_matters=smallest,
        verdict=verdict,
        withheld=[
            Withheld.model_validate(withheld)
            for withheld in pooled.withheld
            if withheld.output in _SHOWN or "," in withheld.output
        ],
        reading=pooled.reading,
    )
    return MeasuredOutcome(words, pooled, block, _figures(pooled, smallest, verdict), rows, _household_means(rows))


def _household_means(rows: Sequence[RecordedObservation]) -> list[float]:
    by_household: dict[UUID, list[float]] = {}
    for row in rows:
        by_household.setdefault(row.household_id, []).append(float(row.difference or 0.0))
    return [mean(values) for values in by_household.values()]


_SHOWN = {"estimate", "any_time", "next_household", "sd_between_households"}


def _convention(pooled: PooledDifferences) -> str:
    rough = "; rough below ten households" if pooled.next_household.rough else ""
    return f"the next household's observed difference, Student's t, batch luck and reading error included{rough}"


def study_of_record(row: RecordedObservation) -> MeasuredStudy:
    """Show one replication's part in the pool."""
    details: Mapping[str, Any] = row.details
    return MeasuredStudy(
        replication=str(row.replication_id),
        household=str(row.household_id),
        difference=float(row.difference or 0.0),
        control_value=details.get("control_value"),
        treatment_value=details.get("treatment_value"),
        registered=row.registered,
        flags=list(row.flags),
    )


def _study(row: RecordedObservation) -> DifferenceStudy:
    return DifferenceStudy(
        label=str(row.replication_id),
        difference=float(row.difference or 0.0),
        household=str(row.household_id),
        standard_error=None if row.variance is None else sqrt(row.variance),
    )


def _subset(studies: Sequence[DifferenceStudy], smallest: float | None) -> MeasuredSubset:
    pooled = pool_household_differences(studies, smallest_that_matters=smallest)
    return MeasuredSubset(
        households=pooled.households,
        estimate=pooled.estimate,
        low=pooled.any_time.low,
        high=pooled.any_time.high,
        verdict=pooled.verdict or CANNOT_TELL,
    )


def _robustness(
    collected: Collected, rows: Sequence[RecordedObservation], pooled: PooledDifferences, smallest: float | None
) -> MeasuredRobustness:
    whole = [_study(row) for row in rows]
    outcome = rows[0].outcome if rows else ""

    def only(kept: Iterable[RecordedObservation]) -> MeasuredSubset:
        return _subset([_study(row) for row in kept], smallest)

    put_back = [row for row in collected.retracted if row.outcome == outcome and row.difference is not None]
    unheard = [
        DifferenceStudy(str(start.replication_id), 0.0, str(start.household_id)) for start in silent(collected.starts)
    ]
    return MeasuredRobustness(
        registered_only=only(row for row in rows if row.registered),
        vouched_only=only(row for row in rows if row.vouched),
        conditions_met_only=only(row for row in rows if row.conditions_met),
        with_retracted=only([*rows, *put_back]),
        silent_as_zero=_subset([*whole, *unheard], smallest),
        leave_one_out=[
            MeasuredLeftOut(household=left.label, estimate=left.estimate, low=left.low, high=left.high)
            for left in pooled.robustness.leave_one_out[:LONGEST_LIST]
        ],
        one_household_decides=pooled.robustness.one_household_decides,
    )


def _figures(pooled: PooledDifferences, smallest: float | None, verdict: str) -> MeasuredFigures:
    return MeasuredFigures(
        households=pooled.households,
        estimate=pooled.estimate,
        low=pooled.any_time.low,
        high=pooled.any_time.high,
        smallest_that_matters=smallest,
        verdict=verdict,
    )
