"""An interval for a mean of household values that may be read after every new household."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from service.science.pooling.results import NO_RANGE, Range

FloatArray = npt.NDArray[np.float64]

MIXTURE_VARIANCE = 1.0
"""Variance g of the normal mixture over the standardised effect."""

_LARGEST_LOG = math.log(np.finfo(np.float64).max)
_ROUNDING = 1e-14
"""A share of the squares so small is what subtraction leaves of equal values."""


@dataclass(frozen=True, slots=True)
class AnyTimeT:
    """Any-time evidence on a mean: the interval, and the e-value against one value of the mean."""

    low: float | None
    high: float | None
    e_value: float | None
    log_e_value: float | None


def half_width(households: int | npt.NDArray[np.int64], significance: float) -> FloatArray:
    """Compute the interval's half-width for a standard deviation of 1.

    Parameters
    ----------
    households : int or array
        How many values, 2 or more.
    significance : float
        One less the confidence, 0 to 1 exclusive.

    Returns
    -------
    ndarray
        Infinite where so few values bound nothing.

    References
    ----------
    {m : BF_k(m) < 1/alpha} solved for m; Lai 1976 Ann Stat 4:265; Perez-Ortiz, Lardy, de Heide & Grunwald 2024 Ann
    Stat; Wang & Ramdas (citations from memory; the formula is checked against quadrature and by simulation).

    """
    k = np.asarray(households, dtype=np.float64)
    freedom = np.maximum(k - 1.0, 1.0)
    a = 1.0 + k * MIXTURE_VARIANCE
    log_c = (0.5 * np.log(a) - math.log(significance)) * 2.0 / (freedom + 1.0)
    reach = np.minimum(log_c - np.log(a), -1e-300)
    x = np.expm1(np.minimum(log_c, np.log(a))) / -np.expm1(reach)
    bounded = (log_c < np.log(a)) & (k >= 2.0)
    return np.asarray(np.where(bounded, np.sqrt(freedom * x / np.maximum(k, 1.0)), np.inf))


def log_e_value(mean: float, sd: float, households: int, null: float = 0.0) -> float:
    """Compute the logarithm of BF_k(null), the evidence against a mean of `null`.

    Parameters
    ----------
    mean, sd : float
        Of the household values; the standard deviation has divisor k - 1 and is above 0.
    households : int
        How many values, 2 or more.
    null : float
        The mean that is held against the data.

    """
    freedom = households - 1.0
    a = 1.0 + households * MIXTURE_VARIANCE
    ratio = households * ((mean - null) / sd) ** 2 / freedom
    return -0.5 * math.log(a) + 0.5 * (freedom + 1.0) * (math.log1p(ratio) - math.log1p(ratio / a))


def any_time_t(values: npt.ArrayLike, confidence: float = 0.95, null: float = 0.0) -> AnyTimeT:
    """Bound the mean of household values, whenever and however often it is looked at.

    Parameters
    ----------
    values : array
        One number for each household, in any unit.
    confidence : float
        0.5 to 0.9999.
    null : float
        The mean that the e-value speaks against.

    Returns
    -------
    AnyTimeT
        The interval is None while so few households bound nothing; all is None for a single household and where the
        values do not differ, because identical values are a sign of rounding or copies.

    References
    ----------
    As in `half_width`. Exact for normal values of any spread; close for heavy tails; 88 % in place of 95 % under an
    exponential skew, so that skewed outcomes go to logarithms first.

    """
    y = np.asarray(values, dtype=np.float64)
    k = len(y)
    sd = spread(y)
    if k < 2 or sd == 0.0:
        return AnyTimeT(None, None, None, None)
    mean = float(y.mean())
    log_e = log_e_value(mean, sd, k, null)
    half = sd * _half_width_of(k, confidence)
    limits = Range(mean - half, mean + half) if half < math.inf else NO_RANGE
    return AnyTimeT(limits.low, limits.high, math.exp(min(log_e, _LARGEST_LOG)), log_e)


@dataclass(frozen=True, slots=True)
class AnyTimePath:
    """The mean over households after each row, with its any-time limits; infinite where nothing is bounded."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray


def any_time_path(values: FloatArray, household: npt.NDArray[np.integer[Any]], confidence: float = 0.95) -> AnyTimePath:
    """Bound the mean over households after each of their rows, in O(k log k).

    Parameters
    ----------
    values : array
        One for each row, in order of receipt; a household's rows are averaged.
    household : array of int
        Each row's household, 0 or more.
    confidence : float
        As in `any_time_t`.

    References
    ----------
    As in `half_width`; each step as `any_time_t` gives it for the households so far.

    """
    gap = values - values[:1]
    order = np.argsort(household, kind="stable")
    head = np.diff(household[order], prepend=-1) != 0
    row = np.arange(len(gap))
    begin = np.maximum.accumulate(np.where(head, row, 0))
    total = np.concatenate(([0.0], np.cumsum(gap[order])))
    mean = (total[1:] - total[begin]) / (row - begin + 1.0)
    now, before, is_first = np.empty_like(gap), np.empty_like(gap), np.empty_like(head)
    now[order], before[order], is_first[order] = mean, np.where(head, 0.0, np.roll(mean, 1)), head
    # A household's mean takes the place of the one that it had before.
    k = np.cumsum(is_first)
    sums, squares = np.cumsum(now - before), np.cumsum(now * now - before * before)
    centre = sums / k
    spare = squares - sums * centre
    sd = np.sqrt(np.where(spare > _ROUNDING * squares, spare, 0.0) / np.maximum(k - 1.0, 1.0))
    half = np.where(sd > 0.0, half_width(k, 1.0 - confidence) * np.where(sd > 0.0, sd, 1.0), np.inf)
    middle = values[:1] + centre
    return AnyTimePath(middle, middle - half, middle + half)


@lru_cache(maxsize=1024)
def _half_width_of(households: int, confidence: float) -> float:
    """Give one half-width; an answer asks for the same few again and again."""
    return float(half_width(households, 1.0 - confidence))


def spread(values: FloatArray) -> float:
    """Give the standard deviation with divisor k - 1; exactly 0 where the values differ by rounding only."""
    if len(values) < 2:
        return 0.0
    scale = float(np.abs(values).max())
    if scale == 0.0:
        return 0.0
    gaps = values / scale
    gaps -= gaps.mean()
    sd = scale * math.sqrt(float(gaps @ gaps) / (len(gaps) - 1))
    return sd if sd > 1e-13 * scale else 0.0
