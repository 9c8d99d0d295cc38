"""Does a measured answer hang on which replications are counted?"""

import numpy as np
import numpy.typing as npt

from service.evidence.blocks import LONGEST_LIST, SignCount
from service.evidence.claim import CANNOT_TELL
from service.evidence.collect import Collected
from service.evidence.compared import Compared
from service.evidence.conditions import by_condition
from service.evidence.household_columns import Averaged, households_listed, means, sums
from service.evidence.measured_blocks import MeasuredCondition, MeasuredLeftOut, MeasuredRobustness, MeasuredSubset
from service.record.words import BoolArray, Codes
from service.science.pooling.any_time_t import any_time_t
from service.science.pooling.difference_results import PooledDifferences
from service.science.pooling.household_mean import sign_count
from service.science.pooling.household_values import HouseholdValues, values_of
from service.science.pooling.results import Range
from service.science.pooling.verdict import verdict
from service.science.pooling.without_two import verdicts_without_two

FloatArray = npt.NDArray[np.float64]

_FEWEST_TO_LEAVE_TWO_OUT = 3
_SOONER = {"control": 1.0, "treatment": -1.0}
"""The sign of treatment less control, in days to finish, by which arm finished first."""


def values_of_record(rows: Compared) -> HouseholdValues:
    """Give the differences of many replications to the science, with the names of the households that are listed."""
    households = rows.by_household
    return values_of(
        rows.number("difference"),
        np.sqrt(rows.number("variance")),
        households.number,
        households.first,
        households_listed(rows).names("household"),
    )


def signs_of(rows: Compared) -> SignCount:
    """Count which arm was lower in each household, taking an arm that had not finished as the later one."""
    signs = np.sign(rows.number("difference"))
    for place in np.flatnonzero(np.isnan(signs)).tolist():
        signs[place] = _SOONER.get(str(rows[place].details.get("finished_first")), 0.0)
    return SignCount.model_validate(sign_count(sums(rows.household, signs)))


def robustness(
    collected: Collected,
    outcome: str,
    rows: Compared,
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
    rows : Compared
        The rows in the pool.
    pooled : PooledDifferences
        Their pool.
    matters : float or None
        The smallest difference that matters, on the outcome's scale.

    """
    averaged = Averaged(rows)
    every = np.ones(len(rows), dtype=np.bool_)
    known = {every.tobytes(): _of_all(pooled)}

    def only(kept: BoolArray) -> MeasuredSubset:
        which = kept.tobytes()
        if which not in known:
            known[which] = _subset(averaged.of(kept), matters)
        return known[which]

    def also(households: Codes, values: FloatArray) -> MeasuredSubset:
        if not len(values):
            return only(every)
        together = np.concatenate([rows.household, households]), np.concatenate([rows.number("difference"), values])
        return _subset(means(*together), matters)

    put_back = with_difference(collected.put_back(outcome))
    unheard = collected.silent
    return MeasuredRobustness(
        registered_only=only(rows.number("registered")),
        vouched_only=only(rows.vouched),
        conditions_met_only=only(rows.number("conditions_met") == 1),
        with_retracted=also(put_back.household, put_back.number("difference")),
        silent_as_zero=also(unheard.household, np.zeros(len(unheard))),
        without_any_two=_keeps_without_two(averaged.of(every), pooled, matters),
        by_condition=[
            MeasuredCondition(condition=key, value=value, **dict(only(kept))) for key, value, kept in by_condition(rows)
        ],
        leave_one_out=[
            MeasuredLeftOut(household=left.label, estimate=left.estimate, low=left.low, high=left.high)
            for left in pooled.robustness.leave_one_out[:LONGEST_LIST]
        ],
        one_household_decides=pooled.robustness.one_household_decides,
    )


def with_difference(rows: Compared) -> Compared:
    """Keep the rows whose difference is known: both arms had finished."""
    return rows.where(~np.isnan(rows.number("difference")))


def _of_all(pooled: PooledDifferences) -> MeasuredSubset:
    return MeasuredSubset(
        households=pooled.households,
        estimate=pooled.estimate,
        low=pooled.any_time.low,
        high=pooled.any_time.high,
        verdict=pooled.verdict or CANNOT_TELL,
    )


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


def _keeps_without_two(values: FloatArray, pooled: PooledDifferences, matters: float | None) -> bool | None:
    if matters is None or pooled.households < _FEWEST_TO_LEAVE_TWO_OUT:
        return None
    return verdicts_without_two(values, matters) == {pooled.verdict}
