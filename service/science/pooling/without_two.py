"""Does an answer survive leaving out any two households? Every pair is answered for, at every number of households."""

import math

import numpy as np
import numpy.typing as npt

from service.science.pooling.any_time import log_likelihood_ratios
from service.science.pooling.any_time_t import half_width, spread
from service.science.pooling.collapse import collapse, rates_of
from service.science.pooling.verdict import Verdict, verdicts_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_ROWS_AT_ONCE = 256
_SMALLEST_PRODUCT = 1e-280
_ROUNDING = 1e-14
"""A share of the squares so small is what subtraction leaves of equal values."""

_EVERY: frozenset[Verdict] = frozenset(
    {"bigger_than_matters", "practically_the_same", "real_but_may_be_too_small", "cannot_tell_yet"}
)


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
    rates, kind = rates_of(guess)
    distinct = collapse(correct, presented, kind)
    ratios = log_likelihood_ratios(distinct.correct, distinct.presented, rates[distinct.kind])
    return least_log_mean_without_two(ratios, distinct.times)


def least_log_mean_without_two(ratios: FloatArray, times: IntArray) -> float:
    """Compute the smallest log e-value without two households from their log likelihood ratios.

    Parameters
    ----------
    ratios : array
        Kinds of household by grid points.
    times : array of int
        How many households there are of each kind; three or more in all.

    Returns
    -------
    float
        Over all pairs; a kind may be left out twice only where there are two of it.

    """
    total = times @ ratios
    # Half of what all households say goes to each of the two factors, so that neither leaves a double's range.
    halves = 0.5 * total - ratios
    heights = halves.max(axis=1)
    factors = np.exp(halves - heights[:, None])
    least = math.inf
    for begin in range(0, len(times), _ROWS_AT_ONCE):
        rows = slice(begin, begin + _ROWS_AT_ONCE)
        products = factors[rows] @ factors[begin:].T
        logs = np.log(np.maximum(products, _SMALLEST_PRODUCT)) + heights[rows, None] + heights[begin:]
        for row, column in np.argwhere(products < _SMALLEST_PRODUCT).tolist():
            apart = total - ratios[begin + row] - ratios[begin + column]
            logs[row, column] = np.logaddexp.reduce(apart)
        alone = np.flatnonzero(times[rows] < 2)
        logs[alone, alone] = math.inf
        least = min(least, float(logs.min()))
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
        Of `verdict.Verdict`; `cannot_tell_yet` alone where fewer than five would be left. Exact for every pair: blocks
        of pairs whose interval can't cross a limit, whichever two of them go, are settled together, and the others are
        halved down to single pairs.

    """
    k = len(values) - 2
    reach = float(half_width(k, 1.0 - confidence)) if k >= 2 else math.inf
    if math.isinf(reach) or spread(values) == 0.0:
        return {"cannot_tell_yet"}
    centre = float(np.mean(values))
    pairs = _Pairs(np.sort(values - centre), centre, reach)
    found = set[Verdict]()
    blocks = np.array([[0, len(values), 0, len(values)]])
    while len(blocks) and found != _EVERY:
        low, high = pairs.ends(blocks)
        is_pair = (blocks[:, 1] - blocks[:, 0] == 1) & (blocks[:, 3] - blocks[:, 2] == 1)
        settled = is_pair | _stay(low, high, smallest_that_matters)
        found |= verdicts_of(low[settled, 0], high[settled, 0], smallest_that_matters)
        blocks = _halved(blocks[~settled])
    return found


class _Pairs:
    """The any-time interval without two households, for blocks of sorted gaps from the mean."""

    def __init__(self, gaps: FloatArray, centre: float, reach: float) -> None:
        self.gaps = gaps
        self.centre = centre
        self.left = len(gaps) - 2
        self.reach = reach
        self.squares = float(gaps @ gaps)

    def ends(self, blocks: IntArray) -> tuple[FloatArray, FloatArray]:
        """Bound the interval's ends over each block of pairs: (blocks, 2) for each end, least and most."""
        one = self.gaps[blocks[:, :2] - np.array([0, 1])]
        other = self.gaps[blocks[:, 2:] - np.array([0, 1])]
        both = one + other
        away = _squared(one) + _squared(other) + _squared(both) / self.left
        squares = self.squares - away[:, ::-1]
        squares[squares <= _ROUNDING * self.squares] = 0.0
        halves = self.reach * np.sqrt(squares / (self.left - 1))
        middle = self.centre - both[:, ::-1] / self.left
        low, high = middle - halves[:, ::-1], middle + halves
        # Without any spread nothing is bounded; a block that may have none is not settled.
        low[halves[:, 0] == 0.0, 0], high[halves[:, 0] == 0.0, 1] = -math.inf, math.inf
        return low, high


def _squared(ends: FloatArray) -> FloatArray:
    """Bound the square of what lies between two ends."""
    squares = np.sort(ends * ends, axis=1)
    squares[:, 0] = np.where(ends[:, 0] * ends[:, 1] <= 0.0, 0.0, squares[:, 0])
    return squares


def _stay(low: FloatArray, high: FloatArray, size: float) -> npt.NDArray[np.bool_]:
    """Whether no limit that a verdict asks about lies between the bounds of an end."""
    stays = np.isfinite(low[:, 0]) & np.isfinite(high[:, 1])
    for limit in (-size, 0.0, size):
        for end in (low, high):
            stays &= (end[:, 0] > limit) | (end[:, 1] < limit)
    return stays


def _halved(blocks: IntArray) -> IntArray:
    """Cut blocks of pairs in two both ways, each pair kept once and none of a household with itself."""
    if not len(blocks):
        return blocks
    first, after, second, beyond = blocks.T
    middle, between = (first + after + 1) // 2, (second + beyond + 1) // 2
    parts = np.concatenate(
        [
            np.stack(part, axis=1)
            for one in ((first, middle), (middle, after))
            for other in ((second, between), (between, beyond))
            for part in [(*one, *other)]
        ]
    )
    some = (parts[:, 1] > parts[:, 0]) & (parts[:, 3] > parts[:, 2])
    return parts[some & (parts[:, 3] - 1 > parts[:, 0])]
