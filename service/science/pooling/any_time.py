"""Evidence that may be read after every new household: the random-effects mixture over households."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.pooling.collapse import Distinct, collapse, grouped, rates_of
from service.science.pooling.results import Range

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MEANS = (0.05, 0.1, 0.2, 0.3, 0.45, 0.65)
"""Grid of the mean proportion discriminating over households."""

PRECISIONS = (2.0, 8.0, 40.0, math.inf)
"""Grid of the Beta precision of household effects; infinite, where households agree, the last."""

_PRECISIONS_APART = np.array(PRECISIONS[:-1])
_A = np.outer(MEANS, _PRECISIONS_APART).ravel()
_B = np.outer(1.0 - np.array(MEANS), _PRECISIONS_APART).ravel()
_WHICH_PRECISION = np.tile(np.arange(len(_PRECISIONS_APART)), len(MEANS))
"""The Beta parameters of the grid points at which households differ, and the place of each one's precision."""

_LARGEST_LOG = math.log(np.finfo(np.float64).max)
_TERMS_AT_ONCE = 5_000
_NOTHING = -700.0
"""The logarithm of what counts for nothing beside 1; below it processors take many times as long for an exponential."""
_WEIGHTLESS = -50.0
"""The logarithm of a share of the evidence that is lost in rounding."""
_ROWS_AT_ONCE = 2_048
"""Few enough for their ratios over the grid to stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class EProcess:
    """Evidence against "nobody can tell" after each row, in order of receipt."""

    e_value: float
    log_e_value: float
    largest_e_value: float
    log_largest_e_value: float
    p_value: float
    log_path: FloatArray


@dataclass(frozen=True, slots=True)
class AnyTime:
    """Any-time evidence on a pool of trials.

    `exact_interval` (hedged capital) and `interval` (approximate, the any-time t) bound the mean over households of the
    proportion correct. `log_path` is the natural logarithm of the e-value after each row.
    """

    e_value: float
    largest_e_value: float
    p_value: float
    words: str
    exact_interval: Range
    interval: Range
    log_path: FloatArray = field(compare=False)


def e_process(
    correct: npt.ArrayLike, presented: npt.ArrayLike, guess: npt.ArrayLike, household: npt.ArrayLike | None = None
) -> EProcess:
    """Weigh households' counts against "every household guesses", valid at every row.

    Parameters
    ----------
    correct, presented : array of int
        Counts of each row, in order of receipt.
    guess : float or array
        Guess probability of each row's method, above 0 and below 1.
    household : array of int, optional
        Who sent each row; a household's rows of one guess probability merge. Each row its own household where left out.

    Returns
    -------
    EProcess
        Never above the evidence that was there: `p_value` is one over the largest e-value, at most 1.

    References
    ----------
    Average over a grid of (mean m, precision s) of the product over households of E[(p/g)^x ((1-p)/(1-g))^(n-x)],
    p = g + (1-g) theta, theta ~ Beta(s m, s (1-m)); Ville 1939; Robbins 1970; ter Schure & Grunwald 2022 F1000Research
    11:549.

    """
    x = np.asarray(correct, dtype=np.int64)
    n = np.asarray(presented, dtype=np.int64)
    g = np.broadcast_to(np.asarray(guess, dtype=np.float64), x.shape)
    steps = _steps(x, n, g, household)
    path = np.empty(len(x))
    so_far = np.zeros(len(steps.ratios))
    for begin in range(0, len(x), _ROWS_AT_ONCE):
        rows = slice(begin, begin + _ROWS_AT_ONCE)
        totals = steps.of(rows)
        totals[:, 0] += so_far
        np.cumsum(totals, axis=1, out=totals)
        so_far = totals[:, -1].copy()
        highest = totals.max(axis=0)
        totals -= highest
        # Of a real effect a few grid points soon hold all of the evidence.
        weighty = totals[totals.max(axis=1) > _WEIGHTLESS]
        np.maximum(weighty, _NOTHING, out=weighty)
        path[rows] = highest + np.log(np.sum(np.exp(weighty, out=weighty), axis=0) / len(totals))
    last = float(path[-1]) if len(path) else 0.0
    largest = max(0.0, float(path.max())) if len(path) else 0.0
    return EProcess(
        e_value=_exp(last),
        log_e_value=last,
        largest_e_value=_exp(largest),
        log_largest_e_value=largest,
        p_value=max(math.exp(-largest), float(np.finfo(np.float64).tiny)),
        log_path=path,
    )


@dataclass(frozen=True, slots=True)
class Counts:
    """Counts of rows with their guess probabilities, and each row's household, numbered from 0."""

    correct: IntArray
    presented: IntArray
    guess: FloatArray
    household: IntArray


def e_values(pools: Iterable[Counts]) -> list[float]:
    """Compute the e-value of each pool once, without the path that led to it.

    Parameters
    ----------
    pools : iterable of Counts
        At least one row in each; what they have in common is computed once.

    Returns
    -------
    list of float
        As `e_process` gives.

    """
    # One pool after the other, each down to its distinct counts: together they would take many times the memory.
    collapsed = [_collapsed(pool) for pool in pools]
    if not collapsed:
        return []
    found = ratios_once(
        np.concatenate([each.correct for each, _ in collapsed]),
        np.concatenate([each.presented for each, _ in collapsed]),
        np.concatenate([rates[each.kind] for each, rates in collapsed]),
    )
    ends = np.cumsum([len(each.times) for each, _ in collapsed])
    times = (
        np.bincount(place, each.times, len(found.ratios))
        for place, (each, _) in zip(np.split(found.place, ends[:-1]), collapsed, strict=True)
    )
    return [_exp(_log_mean(each @ found.ratios)) for each in times]


def _collapsed(pool: Counts) -> tuple[Distinct, FloatArray]:
    merged = _merged(pool)
    rates, kind = rates_of(merged.guess)
    return collapse(merged.correct, merged.presented, kind), rates


def _merged(pool: Counts) -> Counts:
    """Merge a household's rows of one guess probability."""
    rates, kind = rates_of(pool.guess)
    found = grouped(pool.household * len(rates) + kind)
    if len(found.keys) == len(pool.household):
        return pool
    correct, presented = (
        np.bincount(found.place, column, len(found.keys)).astype(np.int64) for column in (pool.correct, pool.presented)
    )
    return Counts(correct, presented, pool.guess[found.first], pool.household[found.first])


def _log_mean(logs: FloatArray) -> float:
    highest = float(logs.max())
    return highest + math.log(float(np.mean(np.exp(logs - highest))))


def log_likelihood_ratios(correct: IntArray, presented: IntArray, guess: FloatArray) -> FloatArray:
    """Compute each household's log likelihood ratio at each of the 24 grid points.

    Parameters
    ----------
    correct, presented : array of int
        Counts, one for each household.
    guess : array
        Guess probabilities.

    Returns
    -------
    ndarray
        Households by grid points.

    """
    found = ratios_once(correct, presented, guess)
    return np.asarray(found.ratios[found.place])


@dataclass(frozen=True, slots=True)
class Ratios:
    """Log likelihood ratios of distinct counts, by grid points, and which of them each household has."""

    ratios: FloatArray
    place: IntArray


def ratios_once(correct: IntArray, presented: IntArray, guess: FloatArray) -> Ratios:
    """Compute the same with a row for each distinct count alone."""
    rates, kind = rates_of(guess)
    distinct = collapse(correct, presented, kind)
    pairs = np.column_stack((distinct.correct, distinct.presented, rates[distinct.kind])).astype(np.float64)
    out = np.empty((len(pairs), len(MEANS) * len(PRECISIONS)))
    begin = 0
    ends = np.cumsum(pairs[:, 0] + 1.0)
    while begin < len(pairs):
        before = ends[begin - 1] if begin else 0.0
        end = max(begin + 1, int(np.searchsorted(ends, before + _TERMS_AT_ONCE, side="right")))
        out[begin:end] = _ratios(pairs[begin:end])
        begin = end
    return Ratios(out, distinct.place)


def _ratios(pairs: FloatArray) -> FloatArray:
    """Sum over j of C(x, j) r^j B(a+j, b+n-x) / B(a, b), r = (1-g)/g: a finite sum of positive terms.

    B(a+j, b+i) / B(a, b) is a quotient of rising factorials, whose logarithms are looked up in one table each.
    """
    x, n, g = pairs.T
    right, wrong = x.astype(np.int64), (n - x).astype(np.int64)
    lengths = right + 1
    starts = np.cumsum(lengths) - lengths
    row = np.repeat(np.arange(len(x)), lengths)
    j = np.arange(len(row)) - starts[row]
    odds = (1.0 - g) / g
    most = int(n.max())
    # The last row, a = 1, holds the factorials.
    rising = _log_rising(np.concatenate((_A, _B, _PRECISIONS_APART, np.ones(1))), most)
    for_right, for_wrong, for_all = rising[: len(_A)], rising[len(_A) : 2 * len(_A)], rising[2 * len(_A) : -1]
    factorials = rising[-1]
    terms = factorials[right][row] - factorials[j] - factorials[right[row] - j] + j * np.log(odds)[row]
    log_terms = for_right[:, j] - for_all[_WHICH_PRECISION][:, wrong[row] + j] + terms
    highest = np.maximum.reduceat(log_terms, starts, axis=1)
    log_terms -= highest[:, row]
    totals = np.add.reduceat(np.exp(log_terms, out=log_terms), starts, axis=1)
    out = np.empty((len(x), len(MEANS), len(PRECISIONS)))
    out[:, :, :-1] = (for_wrong[:, wrong] + highest + np.log(totals)).T.reshape(len(x), len(MEANS), -1)
    m = np.array(MEANS)
    out[:, :, -1] = x[:, None] * np.log1p(odds[:, None] * m) + wrong[:, None] * np.log1p(-m)
    return out.reshape(len(x), -1)


def _log_rising(start: FloatArray, most: int) -> FloatArray:
    """Tabulate log(a (a+1) ... (a+j-1)) for j from 0 to `most`: a row for each a."""
    a = start.reshape(-1, 1)
    return np.asarray(special.gammaln(a + np.arange(most + 1.0)) - special.gammaln(a))


@dataclass(frozen=True, slots=True)
class _Steps:
    """What each row adds to the log likelihood ratios of its household: those now less those before it.

    `ratios` is grid points by places. `before` is the last of these where nothing was said yet, and None where that
    holds of every row.
    """

    ratios: FloatArray
    now: IntArray
    before: IntArray | None

    def of(self, rows: slice) -> FloatArray:
        # Taken, not indexed: a grid point's values are then side by side, which all that follows is quick on.
        now = np.take(self.ratios, self.now[rows], axis=1)
        if self.before is not None:
            now -= np.take(self.ratios, self.before[rows], axis=1)
        return now


def _steps(x: IntArray, n: IntArray, g: FloatArray, household: npt.ArrayLike | None) -> _Steps:
    """Find what each row adds to the log likelihood ratios of its household."""
    rates, kind = rates_of(g)
    who = np.arange(len(x)) if household is None else np.asarray(household, dtype=np.int64)
    unit = who * max(len(rates), 1) + kind
    if np.all(unit[1:] > unit[:-1]):
        once = ratios_once(x, n, g)
        return _Steps(np.ascontiguousarray(once.ratios.T), once.place, None)
    order = np.argsort(unit, kind="stable")
    is_first = np.diff(unit[order], prepend=-1) != 0
    found = ratios_once(_running(x[order], is_first), _running(n[order], is_first), g[order])
    now, before = np.empty_like(order), np.empty_like(order)
    now[order] = found.place
    before[order] = np.where(is_first, len(found.ratios), np.roll(found.place, 1))
    return _Steps(np.append(found.ratios.T, np.zeros((found.ratios.shape[1], 1)), axis=1), now, before)


def _running(counts: IntArray, first: npt.NDArray[np.bool_]) -> IntArray:
    """Sum within runs that start where `first` is true."""
    total = np.cumsum(counts)
    if not len(total):
        return total
    base = np.where(first, total - counts, 0)
    return np.asarray(total - np.maximum.accumulate(base))


def _exp(logarithm: float) -> float:
    return math.exp(min(logarithm, _LARGEST_LOG))
