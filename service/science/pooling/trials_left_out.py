"""The pool of trials without each household in turn."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science import binomial
from service.science.discrimination import METHODS
from service.science.pooling.any_time import log_likelihood_ratios, ratios_once
from service.science.pooling.any_time_t import any_time_t, half_width
from service.science.pooling.betting import betting_interval
from service.science.pooling.collapse import collapse, rates_of
from service.science.pooling.detection import FloorModel, floor_estimates_without, null_of
from service.science.pooling.folded import folded_means_without
from service.science.pooling.household_counts import Rows, Units
from service.science.pooling.results import NO_RANGE, NOTHING, Estimate, Range
from service.science.pooling.trial_results import TrialsLeftOut
from service.science.pooling.verdict import Verdict, verdict, verdicts_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

MOST_REFITTED = 30
"""With more households no single one moves the estimate visibly; their evidence is still given."""

FEWEST_HOUSEHOLDS_FOR_T = 8
FEWEST_PRESENTATIONS_FOR_T = 6

_DECIDED = 20.0
_SMALLEST = float(np.finfo(np.float64).tiny)
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class LeftOut:
    """The pool without each household: some listed, and of all the least and the largest e-value."""

    listed: tuple[TrialsLeftOut, ...]
    least_e_value: float | None
    largest_e_value: float | None


NOT_LEFT_OUT = LeftOut((), None, None)


def leave_one_out(rows: Rows, units: Units, level: float, alone: FloorModel | None, listed: int | None) -> LeftOut:
    """Pool without each household in turn, in the order in which they came.

    Parameters
    ----------
    rows, units : Rows, Units
        The pool, by row and merged by household and method.
    level : float
        Confidence of the intervals.
    alone : FloorModel or None
        The pool's fit where it has one method.
    listed : int or None
        How many households are listed; all where None.

    Returns
    -------
    LeftOut
        Empty below three households. The estimate is the proportion discriminating, or with several methods the mean
        of |d'|; it is None in pools of more than `MOST_REFITTED` households.

    """
    k = rows.households
    if k < _FEWEST:
        return NOT_LEFT_OUT
    e_values = evidence_without(units, k)
    shown = k if listed is None else min(listed, k)
    p_values = _null_without(rows, units, shown)
    estimates = _estimates(rows, units, level, alone) if k <= MOST_REFITTED else [NOTHING] * k
    without = zip(rows.labels, rows.names, estimates, p_values, e_values.tolist(), strict=False)
    return LeftOut(
        tuple(
            TrialsLeftOut(label, name, e.estimate, e.low, e.high, p_value, e_value)
            for label, name, e, p_value, e_value in without
        ),
        float(e_values.min()),
        float(e_values.max()),
    )


def evidence_without(units: Units, households: int) -> FloatArray:
    """Compute the e-value of the pool without each household."""
    if len(units.household) > households:
        by_household = household_ratios(units, households)
        return _evidence_of(by_household.sum(axis=0) - by_household)
    # Of one method each, in order: households with the same counts leave the same.
    found = ratios_once(units.correct, units.presented, units.guess)
    times = np.bincount(found.place, minlength=len(found.ratios))
    return _evidence_of(times @ found.ratios - found.ratios)[found.place]


def _evidence_of(ratios: FloatArray) -> FloatArray:
    """Compute e-values from log likelihood ratios, a row for each."""
    highest = ratios.max(axis=1)
    log_e = highest + np.log(np.mean(np.exp(ratios - highest[:, None]), axis=1))
    return np.asarray(binomial.e_value_from_log(log_e))


def household_ratios(units: Units, households: int) -> FloatArray:
    """Compute each household's log likelihood ratios over the grid, all its methods together."""
    ratios = log_likelihood_ratios(units.correct, units.presented, units.guess)
    out = np.zeros((households, ratios.shape[1]))
    np.add.at(out, units.household, ratios)
    return out


def _null_without(rows: Rows, units: Units, shown: int) -> list[float]:
    """Test "nobody can tell" without each of the first households; equal households are tested once."""
    rates, kind = rates_of(units.guess)
    correct = np.bincount(kind, units.correct).astype(np.int64)
    presented = np.bincount(kind, units.presented).astype(np.int64)
    if len(rates) == 1:
        right = np.bincount(units.household, units.correct, rows.households)[:shown]
        served = np.bincount(units.household, units.presented, rows.households)[:shown]
        tails = binomial.upper_tail(correct[0] - right, presented[0] - served, float(rates[0]))
        return [max(tail, _SMALLEST) for tail in tails.tolist()]
    members: list[list[int]] = [[] for _ in range(rows.households)]
    for unit, household in enumerate(units.household.tolist()):
        members[household].append(unit)
    known: dict[tuple[tuple[int, int, int], ...], float] = {}
    out = []
    for own in members[:shown]:
        key = tuple((int(kind[u]), int(units.correct[u]), int(units.presented[u])) for u in own)
        if key not in known:
            x, n = correct.copy(), presented.copy()
            for which, hits, trials in key:
                x[which] -= hits
                n[which] -= trials
            known[key] = null_of(x, n, rates).p_value
        out.append(known[key])
    return out


def _estimates(rows: Rows, units: Units, level: float, alone: FloorModel | None) -> list[Estimate]:
    if alone is not None:
        guess = METHODS[rows.methods[0]].guess_probability
        return list(floor_estimates_without(units.correct, units.presented, guess, level, alone.fitted))

    distinct = collapse(units.correct, units.presented, units.kind)
    groups: list[list[int]] = [[] for _ in range(rows.households)]
    for household, place in zip(units.household.tolist(), distinct.place.tolist(), strict=True):
        groups[household].append(place)
    return folded_means_without(distinct, rows.methods, [tuple(sorted(group)) for group in groups], level)


def one_decides(
    rows: Rows, units: Units, left_out: LeftOut, e_value: float, smallest_that_matters: float, level: float
) -> bool:
    """Say whether leaving out one household changes "they can tell" (e of 20) or the verdict.

    Parameters
    ----------
    rows, units : Rows, Units
        The pool.
    left_out : LeftOut
        The pool without each household.
    e_value : float
        Of the whole pool.
    smallest_that_matters : float
        A proportion discriminating.
    level : float
        Confidence of the any-time interval.

    """
    if left_out.least_e_value is None or left_out.largest_e_value is None:
        return False
    decided = e_value >= _DECIDED
    if (left_out.least_e_value >= _DECIDED) != decided or (left_out.largest_e_value >= _DECIDED) != decided:
        return True
    if len(rows.methods) > 1:
        return False
    full, without = verdicts(units, smallest_that_matters, level)
    return bool(without - {full})


def verdicts(units: Units, smallest_that_matters: float, level: float) -> tuple[Verdict, set[Verdict]]:
    """Give the verdict on a pool of one method with every household, and without each.

    Parameters
    ----------
    units : Units
        One count for each household.
    smallest_that_matters : float
        A proportion discriminating.
    level : float
        Confidence of the any-time interval.

    """
    g = units.guess
    y = (units.correct / units.presented - g) / (1.0 - g)
    enough = units.presented >= FEWEST_PRESENTATIONS_FOR_T
    k = int(enough.sum())
    bound = any_time_t(y[enough], level) if k >= FEWEST_HOUSEHOLDS_FOR_T else NO_RANGE
    if bound.low is None:
        return _exact_verdicts(units, smallest_that_matters, level)
    # Without one of eight there are seven: that alone must not read as if that one decided.
    y = y[enough]
    mean = float(np.mean(y))
    squares = float(np.sum((y - mean) ** 2))
    means = mean - (y - mean) / (k - 1)
    rest = np.maximum(squares - (y - mean) ** 2 * k / (k - 1), 0.0)
    halves = float(half_width(k - 1, 1.0 - level)) * np.sqrt(rest / (k - 2))
    without = verdicts_of(means - halves, means + halves, smallest_that_matters)
    return verdict(smallest_that_matters, bound), without


def _exact_verdicts(units: Units, smallest_that_matters: float, level: float) -> tuple[Verdict, set[Verdict]]:
    """Decide by the exact interval where the t has too few households, or households that don't differ."""
    shares = units.correct / units.presented
    guess = units.guess[0]

    def decide(values: FloatArray) -> Verdict:
        bound = betting_interval(values, level)
        return verdict(smallest_that_matters, discriminating_range(bound, guess))

    same = bool(np.all(shares == shares[0]))
    left_out = range(1 if same else len(shares)) if same or len(shares) <= MOST_REFITTED else range(0)
    return decide(shares), {decide(np.delete(shares, i)) for i in left_out}


def discriminating_range(bound: Range, guess: float) -> Range:
    """Map proportions correct to proportions discriminating, not floored: a verdict needs the sign."""
    if bound.low is None or bound.high is None:
        return NO_RANGE
    return Range((bound.low - guess) / (1.0 - guess), (bound.high - guess) / (1.0 - guess))
