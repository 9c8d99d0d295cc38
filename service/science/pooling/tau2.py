"""Estimators of the variance between households, for one pool or for many of its parts at once."""

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.pooling.weighted_sums import Problems, Spread, Sums, log_determinant, spread, sums, weights_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_LOG_TWO_PI = math.log(2.0 * math.pi)
_STEPS = 100
_TOLERANCE = 1e-10
"""A Newton step this small relative to tau2 is the last: the error after it is its square."""

_CANCELS = 1e-3
"""A difference of sums this small beside them has lost three digits, and is taken in another way."""

_SCAN = 60
_MANY_HOUSEHOLDS = 5000
"""From here on the likelihood is smooth, and fewer places are looked at for a second maximum."""
_FEW_CELLS = 2000
"""Households times problems up to which all places are looked at in one go."""


def dersimonian_laird(problems: Problems) -> FloatArray:
    """Compute tau2 by moments (DerSimonian & Laird 1986 Control Clin Trials 7:177)."""
    at_zero = spread(problems, np.zeros(len(problems.row)))
    return by_moments(at_zero, spare_weight(problems, at_zero))


def by_moments(at_zero: Spread, spare: FloatArray) -> FloatArray:
    """Compute the same from sums at a variance of 0 and spare weights that are there already."""
    return np.asarray(np.maximum(0.0, (at_zero.q - (at_zero.count - 1.0)) / spare))


def spare_weight(problems: Problems, at_zero: Spread) -> FloatArray:
    """Compute sum w - sum w^2 / sum w at a variance of 0; infinite for a single household, which tells of none.

    Parameters
    ----------
    problems : Problems
        The problems.
    at_zero : Spread
        Their sums at a variance of 0.

    """
    spare = np.asarray(at_zero.w1 - at_zero.w2 / at_zero.w1)
    cancels = spare < _CANCELS * at_zero.w1
    if not cancels.any():
        return spare
    for place in np.flatnonzero(cancels).tolist():
        w = weights_of(problems, place, 0.0)
        best = int(np.argmax(w))
        # Apart from the best reading, which outweighs all others together, nothing cancels.
        most, others = float(w[best]), np.delete(w, best)
        rest = float(others.sum())
        spare[place] = rest + (most * rest - float(others @ others)) / (most + rest)
    return np.where(spare > 0.0, spare, np.inf)


def paule_mandel(problems: Problems) -> FloatArray:
    """Compute tau2 at which Q(tau2) equals its degrees of freedom (Paule & Mandel 1982 J Res NBS 87:377)."""
    at_zero = spread(problems, np.zeros(len(problems.row)))
    return _generalised_q_root(problems, at_zero, problems.count - 1.0)


def q_profile(problems: Problems, level: float) -> tuple[FloatArray, FloatArray]:
    """Compute the ends of the Q-profile interval of tau2; NaN at both ends where the set is empty.

    Parameters
    ----------
    problems : Problems
        Of two or more households each.
    level : float
        Confidence.

    References
    ----------
    Viechtbauer 2007 Stat Med 26:37.

    """
    tail = 0.5 * (1.0 - level)
    freedom = problems.count - 1.0
    upper_point, lower_point = special.chdtri(freedom, tail), special.chdtri(freedom, 1.0 - tail)
    at_zero = spread(problems, np.zeros(len(problems.row)))
    empty = at_zero.q < lower_point
    low = _generalised_q_root(problems, at_zero, upper_point)
    high = _generalised_q_root(problems, at_zero, lower_point)
    return np.where(empty, np.nan, low), np.where(empty, np.nan, high)


def _generalised_q_root(problems: Problems, at_zero: Spread, target: FloatArray) -> FloatArray:
    """Solve sum w (y - mean)^2 = target for tau2; 0 where the sum at 0 is already below."""
    tau2 = np.zeros(len(problems.row))
    active = np.flatnonzero((at_zero.q > target) & (at_zero.count > 1.0))
    low, high = np.zeros(len(tau2)), np.full(len(tau2), np.inf)
    tau2[active] = ((at_zero.q - target) / spare_weight(problems, at_zero))[active]
    for _ in range(_STEPS):
        if not len(active):
            break
        here = tau2[active]
        s = sums(problems.take(active), here, bends=False)
        above = s.q > target[active]
        low[active] = np.where(above, here, low[active])
        high[active] = np.where(above, high[active], here)
        # 1/Q is nearly linear in tau2, so that Newton's step on it hardly ever overshoots.
        step = s.q * (s.q / target[active] - 1.0) / np.maximum(s.q2, np.finfo(np.float64).tiny)
        middle = np.where(np.isinf(high[active]), 2.0 * here + np.abs(step), 0.5 * (low[active] + high[active]))
        moved = here + step
        moved = np.where((moved > low[active]) & (moved < high[active]), moved, middle)
        tau2[active] = moved
        active = active[np.abs(moved - here) > _TOLERANCE * moved]
    return tau2


def maximum_likelihood(problems: Problems) -> FloatArray:
    """Compute tau2 at the highest maximum of the likelihood."""
    return _highest(problems, _score, log_likelihood)


def restricted_maximum_likelihood(problems: Problems) -> FloatArray:
    """Compute tau2 at the highest maximum of the restricted likelihood.

    References
    ----------
    Raudenbush & Bryk 1985 J Educ Stat 10:75; Viechtbauer 2005 J Educ Behav Stat 30:261. The score is bracketed and
    halved rather than iterated alone, and looked at over many powers of ten, because several maxima do occur.

    """
    return _highest(problems, _restricted_score, restricted_log_likelihood)


def log_likelihood(problems: Problems, tau2: FloatArray) -> FloatArray:
    """Compute the log-likelihood of each problem at its own tau2, the mean profiled out."""
    s = spread(problems, tau2)
    return np.asarray(-0.5 * (log_determinant(problems, tau2) + s.q + s.count * _LOG_TWO_PI))


def restricted_log_likelihood(problems: Problems, tau2: FloatArray) -> FloatArray:
    """Compute the restricted log-likelihood of each problem at its own tau2."""
    s = spread(problems, tau2)
    constant = (s.count - 1.0) * _LOG_TWO_PI + np.log(s.w1) - np.log(s.count)
    return np.asarray(-0.5 * (log_determinant(problems, tau2) + s.q + constant))


def _score(s: Sums) -> tuple[FloatArray, FloatArray]:
    """Give the score of the likelihood in tau2 and its derivative."""
    return 0.5 * (s.q2 - s.w1), 0.5 * s.w2 - (s.q3 - s.cross**2 / s.w1)


def _restricted_score(s: Sums) -> tuple[FloatArray, FloatArray]:
    """Give the score of the restricted likelihood in tau2 and its derivative."""
    share = s.w2 / s.w1
    trace = s.w2 - 2.0 * s.w3 / s.w1 + share * share
    return 0.5 * (s.q2 - (s.w1 - share)), 0.5 * trace - (s.q3 - s.cross**2 / s.w1)


Score = Callable[[Sums], tuple[FloatArray, FloatArray]]
Likelihood = Callable[[Problems, FloatArray], FloatArray]


def _highest(problems: Problems, score: Score, likelihood: Likelihood) -> FloatArray:
    moments = dersimonian_laird(problems)
    grid = _places(problems, moments)
    count = len(problems.row)
    every = np.arange(count)
    slopes = _slopes(problems, score, grid)
    step, which = np.nonzero((slopes[:-1] > 0.0) & (slopes[1:] <= 0.0))
    peaks = _roots(problems.take(which), score, moments[which], grid[step], grid[step + 1])
    # tau2 = 0 is a maximum of its own where the likelihood falls from there.
    flat = every[slopes[0] <= 0.0]
    candidates = np.concatenate((np.zeros(len(flat)), peaks))
    owners = np.concatenate((flat, which))
    best = np.zeros(count)
    if len(candidates) == count and len(np.unique(owners)) == count:
        best[owners] = candidates
        return best
    heights = likelihood(problems.take(owners), candidates)
    highest = np.full(count, -np.inf)
    for owner, candidate, height in zip(owners.tolist(), candidates.tolist(), heights.tolist(), strict=True):
        if height > highest[owner]:
            highest[owner], best[owner] = height, candidate
    return best


def _slopes(problems: Problems, score: Score, grid: FloatArray) -> FloatArray:
    """Compute the score of each problem at each place, (places, problems)."""
    count = len(problems.row)
    if count * len(problems.y) > _FEW_CELLS:
        return np.stack([score(sums(problems, np.full(count, tau2), bends=False))[0] for tau2 in grid.tolist()])
    everywhere = problems.take(np.tile(np.arange(count), len(grid)))
    return score(sums(everywhere, np.repeat(grid, count), bends=False))[0].reshape(len(grid), count)


def _places(problems: Problems, moments: FloatArray) -> FloatArray:
    """Choose where to look at the score: from well below the smallest variance to where it must fall."""
    reach = float(np.ptp(problems.y))
    smallest = float(problems.v.min())
    most = 10.0 * reach * reach
    if most < 1e-290:
        return np.zeros(1)
    low = min(0.01 * smallest, 1e-3 * most)
    if len(problems.y) > _MANY_HOUSEHOLDS and low < moments[0] < 0.1 * most:
        near = moments[0] * np.array([0.01, 0.1, 0.5, 2.0, 10.0])
        return np.concatenate(([0.0], near[(near > low) & (near < most)], [most]))
    return np.concatenate(([0.0], np.geomspace(low, most, _SCAN)))


def _roots(problems: Problems, score: Score, start: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Solve score = 0 between places where it is above and below 0, by Newton kept inside the bracket."""
    low, high = low.copy(), high.copy()
    tau2 = np.where((start > low) & (start < high), start, 0.5 * (low + high))
    active = np.arange(len(tau2))
    for _ in range(_STEPS):
        if not len(active):
            break
        here = tau2[active]
        slope, bend = score(sums(problems.take(active), here))
        rising = slope > 0.0
        low[active] = np.where(rising, here, low[active])
        high[active] = np.where(rising, high[active], here)
        moved = here - slope / np.where(bend == 0.0, -1.0, bend)
        inside = (moved >= low[active]) & (moved <= high[active])
        moved = np.where(inside, moved, 0.5 * (low[active] + high[active]))
        tau2[active] = moved
        active = active[np.abs(moved - here) > _TOLERANCE * np.maximum(moved, here)]
    return tau2
