"""Does an answer survive leaving out any two households?"""

import math

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.pooling.any_time import log_likelihood_ratios
from service.science.pooling.any_time_t import half_width
from service.science.pooling.results import NO_RANGE, Range
from service.science.pooling.verdict import Verdict, verdict

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_MOST_PAIRED = 900
"""Households paired exhaustively; beyond, only those that can move a mean or a spread most are."""


def least_log_e_without_two(correct: IntArray, presented: IntArray, guess: FloatArray) -> float:
    """Compute the smallest log e-value for "they can tell" over all ways to leave out two households.

    Parameters
    ----------
    correct, presented : array of int
        Counts, one for each household.
    guess : array
        Guess probability of each household's method.

    Returns
    -------
    float
        0 (an e-value of 1, no evidence) where two households or fewer would leave nothing.

    References
    ----------
    The random-effects mixture of `any_time.e_process`; a household leaves by dividing its factor out.

    """
    if len(correct) <= 2:
        return 0.0
    counts = np.stack([correct.astype(np.float64), presented.astype(np.float64), guess])
    distinct, times = np.unique(counts, axis=1, return_counts=True)
    ratios = log_likelihood_ratios(distinct[0].astype(np.int64), distinct[1].astype(np.int64), distinct[2])
    total = times @ ratios
    least = math.inf
    for first in range(len(times)):
        # A kind of household may be left out twice only where there are two of it.
        start = first if times[first] > 1 else first + 1
        left = total - ratios[first] - ratios[start:]
        if len(left):
            least = min(least, float(special.logsumexp(left, axis=1).min()))
    return least - math.log(ratios.shape[1])


def verdicts_without_two(values: FloatArray, smallest_that_matters: float, confidence: float = 0.95) -> set[Verdict]:
    """Find every verdict that leaving out two households can give.

    Parameters
    ----------
    values : array
        One number for each household.
    smallest_that_matters : float
        In the values' unit, above 0.
    confidence : float
        Of the any-time t interval.

    Returns
    -------
    set of str
        Of `verdict.Verdict`; `cannot_tell_yet` alone where fewer than five would be left.

    """
    k = len(values) - 2
    reach = float(half_width(k, 1.0 - confidence)) if k >= 2 else math.inf
    if math.isinf(reach):
        return {"cannot_tell_yet"}
    centre = float(np.mean(values))
    gaps = values - centre
    chosen = _movers(gaps)
    first, second = np.triu_indices(len(chosen), 1)
    one, other = gaps[chosen][first], gaps[chosen][second]
    mean = -(one + other) / k
    squares = np.maximum(float(gaps @ gaps) - one * one - other * other - k * mean * mean, 0.0)
    halves = reach * np.sqrt(squares / (k - 1))
    low, high = centre + mean - halves, centre + mean + halves
    kinds = np.stack(
        [
            low > smallest_that_matters,
            high < -smallest_that_matters,
            (low > -smallest_that_matters) & (high < smallest_that_matters),
            low > 0.0,
            high < 0.0,
            halves == 0.0,
        ]
    )
    _, examples = np.unique(kinds, axis=1, return_index=True)
    ranges = [NO_RANGE if halves[i] == 0.0 else Range(float(low[i]), float(high[i])) for i in examples]
    return {verdict(smallest_that_matters, each) for each in ranges}


def _movers(gaps: FloatArray) -> IntArray:
    """Choose the households to pair: all of them, or of very many the outermost and the innermost."""
    if len(gaps) <= _MOST_PAIRED:
        return np.arange(len(gaps))
    order = np.argsort(gaps)
    inner = np.argsort(np.abs(gaps))
    part = _MOST_PAIRED // 3
    return np.unique(np.concatenate([order[:part], order[-part:], inner[:part]]))
