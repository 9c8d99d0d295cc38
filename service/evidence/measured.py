"""What was measured: one number a household, treatment less control, and whether it matters."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from service.evidence.blocks import LONGEST_LIST, AnyTimeMean, MeasuredStudy, NextHousehold, Range, SignCount, Withheld
from service.evidence.claim import CANNOT_TELL, Claim
from service.evidence.collect import Collected
from service.evidence.compared import Compared
from service.evidence.listed_rows import ListedRow, listed
from service.evidence.measured_blocks import Measured, RatioScale
from service.evidence.measured_robustness import robustness, signs_of, values_of_record, with_difference
from service.evidence.measured_words import MeasuredFigures, ReadingFigures, measured_reading
from service.evidence.outcomes import OutcomeWords, words_for
from service.evidence.second_method import second_method
from service.record.rows import RecordedObservation
from service.record.words import distinct
from service.science.pooling.difference_results import PooledDifferences
from service.science.pooling.household_mean import pool_household_values


@dataclass(frozen=True, slots=True)
class MeasuredOutcome:
    """One pooled outcome, and what the answer and the certainty rule ask of it."""

    words: OutcomeWords
    block: Measured
    figures: MeasuredFigures
    rows: Compared

    def claim(self) -> Claim:
        """Put the pooled outcome into the terms that the certainty rule weighs.

        Batch luck is in the spread between households, so that the interval holds it already.
        """
        robust, verdict = self.block.robustness, self.block.verdict
        return Claim(
            households=self.figures.households,
            verdict=verdict,
            e_value=None,
            shows="",
            among="registered",
            in_registered_or_sealed=distinct(self.rows.household[self.rows.number("registered")]),
            batch_luck_open=False,
            unchanged={
                "leaving out any two households": robust.without_any_two is True,
                "counting only the registered": robust.registered_only.verdict == verdict,
                "putting the retracted back": robust.with_retracted.verdict == verdict,
                "taking every silent start as no difference": robust.silent_as_zero.verdict == verdict,
            },
        )


def measured(collected: Collected, outcome: str) -> MeasuredOutcome:
    """Pool one measured outcome over households."""
    every = collected.of(outcome)
    rows = with_difference(every)
    unfinished = len(every) - len(rows)
    words = words_for(outcome)
    smallest = collected.aims.smallest.get(outcome)
    matters = _on_scale(smallest, rows, words)
    # A mean without the arms that had not finished would be of the quick ones only: then signs alone are counted.
    counted = rows.where(np.full(len(rows), not unfinished))
    values = values_of_record(counted)
    pooled = pool_household_values(values, smallest_that_matters=matters, listed=LONGEST_LIST, cumulative=False)
    verdict = pooled.verdict or CANNOT_TELL
    figures = MeasuredFigures(
        households=pooled.households,
        estimate=pooled.estimate,
        low=pooled.any_time.low,
        high=pooled.any_time.high,
        smallest=smallest,
        matters=matters,
        verdict=verdict,
        identical=pooled.identical,
        unfinished=unfinished,
    )
    block = Measured(
        unit=words.unit or _unit(every),
        scale=words.scale,
        **{name: getattr(pooled, name) for name in _SHARED},
        any_time=AnyTimeMean.model_validate(pooled.any_time),
        ratio=_ratio(pooled) if words.scale == "log_ratio" else None,
        next_household=_next(pooled),
        sign_count=_signs(pooled, every),
        unfinished=unfinished,
        second_method=second_method(values, pooled, words),
        studies=[study_of_record(row) for row in listed(rows)],
        studies_total=len(rows),
        robustness=robustness(collected, outcome, counted, pooled, matters),
        primary=collected.primary == outcome,
        smallest_difference_that_matters=smallest,
        verdict=verdict,
        withheld=_withheld(pooled, unfinished),
        reading=measured_reading(figures, _beside(pooled, primary=collected.primary == outcome), words),
    )
    # Of a large question's many outcomes no two need be in memory at once.
    for each in (every, rows, counted):
        each.let_go()
    return MeasuredOutcome(words, block, figures, rows)


_SHARED = (
    "households",
    "estimate",
    "low",
    "high",
    "standard_error",
    "p_value",
    "sd_between_households",
    "reading_sd",
)
_NOT_SHOWN = {"tau2", "q", "i2_percent", "i2_tau2_percent", "h2"}


def _on_scale(smallest: float | None, rows: Compared, words: OutcomeWords) -> float | None:
    """Put the smallest difference that matters on the scale; for a ratio, as a part of what the control gives."""
    if smallest is None or words.scale == "difference":
        return smallest
    given = rows.told_number("control_value")
    controls = given[given > 0.0]
    if not len(controls):
        return None
    return math.log1p(smallest / math.exp(float(np.mean(np.log(controls)))))


def _unit(rows: Compared) -> str:
    return next((str(row.details["unit"]) for row in rows if row.details.get("unit")), "")


def _ratio(pooled: PooledDifferences) -> RatioScale:
    def back(value: float | None) -> float | None:
        return None if value is None else math.exp(value)

    return RatioScale(
        estimate=back(pooled.estimate),
        low=back(pooled.low),
        high=back(pooled.high),
        any_time=Range(low=back(pooled.any_time.low), high=back(pooled.any_time.high)),
    )


def _next(pooled: PooledDifferences) -> NextHousehold:
    rough = "; rough below ten households" if pooled.next_household.rough else ""
    return NextHousehold(
        low=pooled.next_household.low,
        high=pooled.next_household.high,
        convention=f"the next household's observed difference, Student's t, batch luck and reading included{rough}",
    )


def _signs(pooled: PooledDifferences, rows: Compared) -> SignCount:
    """Count which way households went; by which arm finished first where one hadn't."""
    if pooled.households or not len(rows):
        return SignCount.model_validate(pooled.sign_count)
    return SignCount.model_validate(signs_of(rows))


def _withheld(pooled: PooledDifferences, unfinished: int) -> list[Withheld]:
    if unfinished:
        reason = "an arm had not finished somewhere: a mean of the others would be of the quick ones only"
        return [Withheld(output="estimate, low, high, any_time, next_household", reason=reason)]
    return [Withheld.model_validate(each) for each in pooled.withheld if each.output not in _NOT_SHOWN]


def _beside(pooled: PooledDifferences, *, primary: bool) -> ReadingFigures:
    return ReadingFigures(
        low=pooled.low,
        high=pooled.high,
        e_value=pooled.any_time.e_value,
        next_low=pooled.next_household.low,
        next_high=pooled.next_household.high,
        sd=pooled.sd_between_households,
        reading_sd=pooled.reading_sd,
        lower=pooled.sign_count.lower,
        higher=pooled.sign_count.higher,
        one_household_decides=pooled.robustness.one_household_decides,
        primary=primary,
    )


def study_of_record(row: RecordedObservation | ListedRow) -> MeasuredStudy:
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
