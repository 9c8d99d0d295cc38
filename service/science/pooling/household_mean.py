"""The plain pool of differences: one number for each household, and Student's t on households."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science import paired_difference
from service.science.pooling.any_time_t import AnyTimeT, any_time_t, half_width, spread
from service.science.pooling.difference_reading import differences_reading
from service.science.pooling.difference_results import (
    AnyTimeMean,
    Cumulative,
    DifferenceRobustness,
    DifferenceStudy,
    LeftOut,
    NextHousehold,
    PooledDifferences,
    SignCount,
)
from service.science.pooling.household_values import HouseholdValues, household_values
from service.science.pooling.results import Withheld
from service.science.pooling.verdict import verdict, verdicts_of
from service.science.trial_columns import confidence_level

FloatArray = npt.NDArray[np.float64]

FEWEST_FOR_RANGE = 3
FEWEST_FOR_NEXT = 5
SMOOTH_NEXT = 10
STUDENT_NEXT = "student_observed"
"""mean +- t(k-1) s sqrt(1 + 1/k): the next household's observed difference, batch luck and reading error included."""

_SMALLEST = float(np.finfo(np.float64).tiny)
_NOT_WEIGHTED = "a plain mean of households weighs no standard errors"


@dataclass(frozen=True, slots=True)
class Student:
    """Student's t on households' numbers; None where there are too few, or where they don't differ."""

    estimate: float | None
    standard_error: float | None
    low: float | None
    high: float | None
    degrees_of_freedom: int | None
    p_value: float | None


def pool_household_differences(
    studies: Sequence[DifferenceStudy], confidence: float = 0.95, smallest_that_matters: float | None = None
) -> PooledDifferences:
    """Pool differences as the mean over households, each household one number.

    Parameters
    ----------
    studies : sequence of DifferenceStudy
        In order of receipt; a household's rows are averaged first.
    confidence : float
        Of all intervals, 0.5 to 0.9999.
    smallest_that_matters : float, optional
        The smallest difference that matters, in the differences' unit, chosen before the data; gives the verdict.

    Returns
    -------
    PooledDifferences
        What too few households can't support is None and listed in `withheld`.

    Raises
    ------
    InputError
        For differences or standard errors that are not finite, a confidence out of range.

    References
    ----------
    Student 1908 Biometrika 6:1; the any-time interval as in `any_time_t.half_width`; sign test, exact binomial.

    """
    return pool_household_values(household_values(studies), confidence, smallest_that_matters)


def pool_household_values(
    data: HouseholdValues,
    confidence: float = 0.95,
    smallest_that_matters: float | None = None,
    *,
    listed: int | None = None,
    cumulative: bool = True,
) -> PooledDifferences:
    """Pool households' values as `pool_household_differences` does.

    Parameters
    ----------
    data : HouseholdValues
        One number for each household.
    confidence, smallest_that_matters
        As in `pool_household_differences`.
    listed : int, optional
        How many households are shown as left out and as added, one by one; all where left out.
    cumulative : bool
        Whether they are shown as added at all.

    """
    level = float(confidence_level(confidence))
    return finish(household_means(data, level, smallest_that_matters, listed, cumulative=cumulative))


def household_means(
    data: HouseholdValues,
    level: float,
    smallest_that_matters: float | None,
    listed: int | None = None,
    *,
    cumulative: bool = True,
) -> PooledDifferences:
    """Give `pool_household_differences` of checked values, but for its words.

    Parameters
    ----------
    data : HouseholdValues
        One number for each household.
    level : float
        Confidence.
    smallest_that_matters : float or None
        For the verdict.
    listed, cumulative
        As in `pool_household_values`.

    """
    result = describe(data, level, smallest_that_matters)
    k, mean, sd = result.households, result.mean_of_households, result.sd_between_households
    fixed = _student(k, mean, sd, level)
    unweighted = (Withheld(name, _NOT_WEIGHTED) for name in ("tau2", "q", "i2_percent", "i2_tau2_percent", "h2"))
    robustness = replace(
        result.robustness,
        leave_one_out=_leave_one_out(data, level, listed),
        cumulative=_cumulative(data, level, listed) if cumulative else (),
    )
    return replace(
        result,
        estimate=fixed.estimate,
        standard_error=fixed.standard_error,
        low=fixed.low,
        high=fixed.high,
        degrees_of_freedom=fixed.degrees_of_freedom,
        p_value=fixed.p_value,
        next_household=_next_household(k, mean, sd, level),
        weights_percent=(100.0 / max(len(data.value), 1),) * len(data.value),
        robustness=robustness,
        withheld=(*result.withheld, *unweighted),
    )


def student(values: FloatArray, level: float) -> Student:
    """Compute Student's t interval of a mean.

    Parameters
    ----------
    values : array
        One number for each household.
    level : float
        Confidence.

    """
    k = len(values)
    return _student(k, _mean(values) if k else None, spread(values), level)


def _student(k: int, mean: float | None, sd: float | None, level: float) -> Student:
    if mean is None:
        return Student(None, None, None, None, None, None)
    if k < 2 or not sd:
        return Student(mean, None, None, None, None, None)
    error = sd / math.sqrt(k)
    if k < FEWEST_FOR_RANGE:
        return Student(mean, error, None, None, k - 1, None)
    reach = float(special.stdtrit(k - 1, 0.5 + 0.5 * level)) * error
    p_value = max(2.0 * float(special.stdtr(k - 1, -abs(mean) / error)), _SMALLEST)
    return Student(mean, error, mean - reach, mean + reach, k - 1, p_value)


def _mean(values: FloatArray) -> float:
    """Average about the first value, so that equal values average to themselves and none overflows."""
    return float(values[0] + np.mean(values - values[0]))


def describe(data: HouseholdValues, level: float, smallest_that_matters: float | None) -> PooledDifferences:
    """Give everything that does not depend on the estimator.

    Parameters
    ----------
    data : HouseholdValues
        One number for each household.
    level : float
        Confidence.
    smallest_that_matters : float or None
        For the verdict.

    """
    y = data.value
    k = len(y)
    any_time = any_time_t(y, level)
    sd = spread(y) if k >= 2 else None
    decided = None if smallest_that_matters is None else verdict(smallest_that_matters, any_time)
    return PooledDifferences(
        households=k,
        rows=data.rows,
        estimator="household_mean",
        interval="student",
        estimate=None,
        standard_error=None,
        low=None,
        high=None,
        degrees_of_freedom=None,
        p_value=None,
        any_time=AnyTimeMean(any_time.low, any_time.high, any_time.e_value),
        next_household=NextHousehold(None, None, None, rough=False),
        mean_of_households=_mean(y) if k else None,
        sd_between_households=sd,
        reading_sd=data.reading_sd,
        sign_count=sign_count(y),
        weights_percent=(),
        robustness=DifferenceRobustness((), (), _one_decides(y, any_time, level, smallest_that_matters)),
        verdict=decided,
        identical=k >= 2 and sd == 0.0,
        withheld=tuple(_withheld(k, identical=k >= 2 and sd == 0.0, bounded=any_time.low is not None)),
        reading="",
    )


def finish(result: PooledDifferences) -> PooledDifferences:
    """Put the finished result into words."""
    return replace(result, reading=differences_reading(result))


def _withheld(k: int, *, identical: bool, bounded: bool) -> list[Withheld]:
    if k == 0:
        return [Withheld("estimate", "no household has reported yet")]
    if k == 1:
        why = "one household: its own difference with measurement error only, which says nothing about others"
        return [Withheld(name, why) for name in ("low, high", "any_time", "next_household", "sd_between_households")]
    if identical:
        why = "identical values: rounding or copies?"
        return [Withheld(name, why) for name in ("low, high", "any_time", "next_household")]
    out = []
    if k < FEWEST_FOR_RANGE:
        out.append(Withheld("low, high", f"too few households for a range; {FEWEST_FOR_RANGE} are needed"))
    if not bounded:
        out.append(Withheld("any_time.low, any_time.high", "so few households bound nothing at every look"))
    if k < FEWEST_FOR_NEXT:
        out.append(Withheld("next_household", f"too early to say how households vary; {FEWEST_FOR_NEXT} are needed"))
    return out


def _next_household(k: int, mean: float | None, sd: float | None, level: float) -> NextHousehold:
    """Predict the next household's observed difference."""
    if k < FEWEST_FOR_NEXT or mean is None or not sd:
        return NextHousehold(None, None, None, rough=False)
    reach = float(special.stdtrit(k - 1, 0.5 + 0.5 * level)) * sd * math.sqrt(1.0 + 1.0 / k)
    return NextHousehold(mean - reach, mean + reach, STUDENT_NEXT, rough=k < SMOOTH_NEXT)


def sign_count(values: FloatArray) -> SignCount:
    """Count the households that went each way; ties are set aside.

    Parameters
    ----------
    values : array
        One number for each household.

    """
    lower, higher = int((values < 0.0).sum()), int((values > 0.0).sum())
    fewer, decided = np.asarray(float(min(lower, higher))), np.asarray(float(lower + higher))
    p_value = float(paired_difference.two_sided_p_value(fewer, decided)) if lower + higher else 1.0
    return SignCount(lower, higher, len(values) - lower - higher, max(p_value, _SMALLEST))


@dataclass(frozen=True, slots=True)
class _Parts:
    mean: FloatArray
    sd: FloatArray
    households: FloatArray


def _without_each(y: FloatArray, listed: int | None = None) -> _Parts:
    """Give mean and standard deviation without each household, or each of the first ones, from one pass."""
    k = len(y)
    mean = _mean(y)
    gap = y - mean
    total = float(gap @ gap)
    scale = float(np.max(np.abs(y)))
    gap = gap[:listed]
    squares = np.maximum(total - gap * gap * k / (k - 1), 0.0)
    sd = np.sqrt(squares / max(k - 2, 1))
    return _Parts(mean - gap / (k - 1), np.where(sd > 1e-13 * scale, sd, 0.0), np.full(len(gap), k - 1.0))


def _up_to_each(y: FloatArray) -> _Parts:
    """Give mean and standard deviation of the first 1, 2, ... households."""
    k = np.arange(1.0, len(y) + 1.0)
    gap = y - y[0]
    mean_gap = np.cumsum(gap) / k
    before = np.concatenate(([0.0], mean_gap[:-1]))
    squares = np.cumsum((gap - before) * (gap - mean_gap))
    sd = np.sqrt(np.maximum(squares, 0.0) / np.maximum(k - 1.0, 1.0))
    scale = np.maximum.accumulate(np.abs(y))
    return _Parts(y[0] + mean_gap, np.where(sd > 1e-13 * scale, sd, 0.0), k)


def _limits(parts: _Parts, level: float) -> list[tuple[float | None, float | None]]:
    freedom = np.maximum(parts.households - 1.0, 1.0)
    reach = special.stdtrit(freedom, 0.5 + 0.5 * level) * parts.sd / np.sqrt(parts.households)
    shown = (parts.households >= FEWEST_FOR_RANGE) & (parts.sd > 0.0)
    rows = zip(shown.tolist(), (parts.mean - reach).tolist(), (parts.mean + reach).tolist(), strict=True)
    return [(low, high) if there else (None, None) for there, low, high in rows]


def _leave_one_out(data: HouseholdValues, level: float, listed: int | None) -> tuple[LeftOut, ...]:
    if len(data.value) < FEWEST_FOR_RANGE:
        return ()
    parts = _without_each(data.value, listed)
    rows = zip(data.labels[:listed], parts.mean.tolist(), _limits(parts, level), strict=True)
    return tuple(LeftOut(label, mean, low, high, None) for label, mean, (low, high) in rows)


def _cumulative(data: HouseholdValues, level: float, listed: int | None) -> tuple[Cumulative, ...]:
    if len(data.value) < 2:
        return ()
    parts = _up_to_each(data.value[:listed])
    rows = zip(data.labels[:listed], parts.mean.tolist(), _limits(parts, level), strict=True)
    steps = (Cumulative(label, i + 1, mean, low, high, None) for i, (label, mean, (low, high)) in enumerate(rows))
    return tuple(steps)[1:]


def _one_decides(y: FloatArray, full: AnyTimeT, level: float, smallest_that_matters: float | None) -> bool:
    """Say whether leaving out one household changes the verdict, or the sign of a mean that may be a difference.

    Around a mean that is practically the same as none, with every household and without each, the sign is chance and
    claims nothing: its turning decides nothing.

    Parameters
    ----------
    y : array
        One number for each household.
    full : AnyTimeT
        Of them all.
    level : float
        Confidence of the any-time interval.
    smallest_that_matters : float or None
        Without it, the verdict is whether the any-time interval excludes 0.

    """
    k = len(y)
    if k < FEWEST_FOR_RANGE or full.e_value is None:
        return False
    parts = _without_each(y)
    turned = bool(np.any(np.sign(parts.mean) != np.sign(_mean(y))))
    if full.low is None:
        return turned
    # Any size gives the same sides of 0, so that the smallest double stands for "excludes 0" alone.
    size = _SMALLEST if smallest_that_matters is None else smallest_that_matters
    whole = verdict(size, full)
    width = float(half_width(k - 1, 1.0 - level))
    halves = np.where(parts.sd > 0.0, parts.sd * width, math.inf) if width < math.inf else np.full(k, math.inf)
    changed = verdicts_of(parts.mean - halves, parts.mean + halves, size) - {whole}
    return bool(changed) or (turned and whole != "practically_the_same")
