"""Does a measured answer hang on which replications are counted?"""

import math
from collections.abc import Iterable, Sequence
from itertools import chain
from statistics import fmean
from uuid import UUID

import numpy as np
import numpy.typing as npt

from service.evidence.blocks import LONGEST_LIST, SignCount
from service.evidence.claim import CANNOT_TELL
from service.evidence.collect import Collected
from service.evidence.conditions import by_condition
from service.evidence.counting import silent
from service.evidence.measured_blocks import MeasuredCondition, MeasuredLeftOut, MeasuredRobustness, MeasuredSubset
from service.record.rows import RecordedObservation
from service.science.pooling.any_time_t import any_time_t
from service.science.pooling.difference_results import DifferenceStudy, PooledDifferences
from service.science.pooling.household_mean import sign_count
from service.science.pooling.results import Range
from service.science.pooling.verdict import verdict
from service.science.pooling.without_two import verdicts_without_two

FloatArray = npt.NDArray[np.float64]

_FEWEST_TO_LEAVE_TWO_OUT = 3
_SOONER = {"control": 1.0, "treatment": -1.0}
"""The sign of treatment less control, in days to finish, by which arm finished first."""


def study_of(row: RecordedObservation) -> DifferenceStudy:
    """Give one replication's difference to the science."""
    return DifferenceStudy(
        label=str(row.replication_id),
        difference=float(row.difference or 0.0),
        household=str(row.household_id),
        standard_error=None if row.variance is None else math.sqrt(row.variance),
    )


def signs_of(rows: Sequence[RecordedObservation]) -> SignCount:
    """Count which arm was lower in each household, taking an arm that had not finished as the later one."""
    signs: dict[object, float] = {}
    for row in rows:
        sign = _SOONER.get(str(row.details.get("finished_first")), 0.0) if row.difference is None else row.difference
        signs[row.household_id] = signs.get(row.household_id, 0.0) + float(np.sign(sign))
    return SignCount.model_validate(sign_count(np.array(list(signs.values()))))


def robustness(
    collected: Collected,
    outcome: str,
    rows: Sequence[RecordedObservation],
    pooled: PooledDifferences,
    matters: float | None,
) -> MeasuredRobustness:
    """Pool other choices of rows, each set of rows once.

    Parameters
    ----------
    collected : Collected
        The record's part, for what was retracted and what stayed silent.
    outcome : str
        Which outcome.
    rows : sequence
        The rows in the pool.
    pooled : PooledDifferences
        Their pool.
    matters : float or None
        The smallest difference that matters, on the outcome's scale.

    """
    known: dict[tuple[int, ...], MeasuredSubset] = {}

    def only(kept: Sequence[RecordedObservation]) -> MeasuredSubset:
        key = tuple(row.id for row in kept)
        if key not in known:
            known[key] = _subset(_means(kept), matters)
        return known[key]

    put_back = [row for row in collected.put_back(outcome) if row.difference is not None]
    unheard = [(start.household_id, 0.0) for start in silent(collected.starts)]
    return MeasuredRobustness(
        registered_only=only([row for row in rows if row.registered]),
        vouched_only=only([row for row in rows if row.vouched]),
        conditions_met_only=only([row for row in rows if row.conditions_met]),
        with_retracted=only([*rows, *put_back]),
        silent_as_zero=_subset(_means(rows, unheard), matters) if unheard else only(rows),
        without_any_two=_keeps_without_two(rows, pooled, matters),
        by_condition=[
            MeasuredCondition(condition=key, value=value, **dict(only(kept))) for key, value, kept in by_condition(rows)
        ],
        leave_one_out=[
            MeasuredLeftOut(household=left.label, estimate=left.estimate, low=left.low, high=left.high)
            for left in pooled.robustness.leave_one_out[:LONGEST_LIST]
        ],
        one_household_decides=pooled.robustness.one_household_decides,
    )


def _means(rows: Iterable[RecordedObservation], also: Iterable[tuple[UUID, float]] = ()) -> FloatArray:
    """Average each household's differences."""
    households: dict[UUID, list[float]] = {}
    for household, value in chain(((row.household_id, float(row.difference or 0.0)) for row in rows), also):
        households.setdefault(household, []).append(value)
    return np.array([fmean(values) for values in households.values()], dtype=np.float64)


def _subset(values: FloatArray, matters: float | None) -> MeasuredSubset:
    found = any_time_t(values)
    decided = CANNOT_TELL if matters is None else verdict(matters, Range(found.low, found.high))
    return MeasuredSubset(
        households=len(values),
        estimate=float(values.mean()) if len(values) else None,
        low=found.low,
        high=found.high,
        verdict=decided,
    )


def _keeps_without_two(
    rows: Sequence[RecordedObservation], pooled: PooledDifferences, matters: float | None
) -> bool | None:
    if matters is None or pooled.households < _FEWEST_TO_LEAVE_TWO_OUT:
        return None
    return verdicts_without_two(_means(rows), matters) == {pooled.verdict}
