"""How likely a trial of a given length is to show a difference: exact sums, for households that are alike or differ."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft, optimize, special

from service.science import binomial

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from service.science.checks import FloatArray

MOST_IN_ALL = 20_000
MOST_EACH_WHERE_HOUSEHOLDS_DIFFER = 600

# The exact power goes up and down by turns as presentations are added, so a length that suffices is believed to go on
# sufficing only after the search has looked this much further.
_FURTHER = 2.0
_FURTHER_WHERE_HOUSEHOLDS_DIFFER = 1.5
_FURTHER_AT_LEAST = 100
_FURTHER_AT_LEAST_WHERE_HOUSEHOLDS_DIFFER = 20

_SHORTEST_KEPT, _LONGEST_KEPT = 256, 1024
"""Lengths in all, from one presentation to so many, whose critical counts are remembered together."""

_REACH = 8.0
_NODE_STEP = 0.05


@dataclass(frozen=True, slots=True)
class Situation:
    """What is served and what is there to be found.

    `discriminating` is the mean proportion discriminating over households, `spread` the standard deviation between them
    of its logit, `level` the significance asked for.
    """

    guess: float
    discriminating: float
    level: float
    households: int = 1
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Lengths:
    """Trials of rising length; `presentations` are for each household, `fewest_correct` is over all of them."""

    presentations: FloatArray
    fewest_correct: FloatArray
    significance: FloatArray
    power: FloatArray


@dataclass(frozen=True, slots=True)
class Sufficient:
    """Lengths that reach the power asked for: the first, and the one from which every longer one does."""

    first: int
    stable: int


def lengths_of(situation: Situation, presentations: FloatArray) -> Lengths:
    """Compute significance and power at given numbers of presentations for each household.

    Parameters
    ----------
    situation : Situation
        What is served.
    presentations : array
        Whole numbers.

    References
    ----------
    Exact binomial tails. Where households differ each one's count is a binomial mixed over a normal logit, summed by
    the trapezoidal rule, and the total is their convolution.

    """
    total = presentations * situation.households
    fewest, significance = _critical_counts(situation, total)
    if situation.spread == 0.0:
        correct = situation.guess + (1.0 - situation.guess) * situation.discriminating
        return Lengths(presentations, fewest, significance, binomial.upper_tail(fewest, total, correct))
    kinds = _households(situation)
    powers = [
        _upper_tail_of_sum(_mixed_count(int(each), *kinds), situation.households, int(least))
        for each, least in zip(presentations, fewest, strict=True)
    ]
    return Lengths(presentations, fewest, significance, np.array(powers))


def _critical_counts(situation: Situation, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the fewest right answers that guessing reaches rarely enough, and how often it does, for whole totals."""
    longest = int(total.max())
    if longest > _LONGEST_KEPT:
        return _from_guessing(situation.guess, situation.level, total)
    size = max(_SHORTEST_KEPT, 1 << (longest - 1).bit_length())
    place = total.astype(np.intp) - 1
    fewest, significance = _kept_from_guessing(situation.guess, situation.level, size)
    return fewest[place], significance[place]


# The levels asked for are few, and every difference and method of one guess probability needs the same counts.
@lru_cache(maxsize=32)
def _kept_from_guessing(guess: float, level: float, longest: int) -> tuple[FloatArray, FloatArray]:
    return _from_guessing(guess, level, np.arange(1.0, longest + 1.0))


def _from_guessing(guess: float, level: float, total: FloatArray) -> tuple[FloatArray, FloatArray]:
    fewest = binomial.fewest_count(total, np.asarray(guess), np.asarray(level))
    return fewest, binomial.upper_tail(fewest, total, guess)


@lru_cache(maxsize=1024)
def sufficient(situation: Situation, power: float) -> Sufficient | None:
    """Find how many presentations each household needs for a power; None where that is beyond what is searched.

    References
    ----------
    `first` is the rule of the tables in ISO 4120:2004, ISO 10399:2004 and ASTM E1885; `stable` that of Ennis & Jesionka
    2011, J. Sens. Stud. ("The power of sensory discrimination methods revisited").

    """
    if situation.spread == 0.0:
        return _sufficient_where_alike(situation, power)
    return _sufficient_where_households_differ(situation, power)


def _sufficient_where_alike(situation: Situation, power: float) -> Sufficient | None:
    guess, households = situation.guess, situation.households
    correct = guess + (1.0 - guess) * situation.discriminating
    # Normal approximation of the whole number needed; it only says where to look.
    reach = special.ndtri(1.0 - situation.level) * math.sqrt(guess * (1.0 - guess))
    reach += special.ndtri(power) * math.sqrt(correct * (1.0 - correct))
    about = (reach / (correct - guess)) ** 2
    if about > MOST_IN_ALL:
        return None
    first = 1 if about < 1000.0 else int(0.6 * about / households)
    last = math.ceil((_FURTHER * about + _FURTHER_AT_LEAST) / households) + 1
    searched = lengths_of(situation, np.arange(max(first, 1), last + 1, dtype=np.float64))
    return _first_and_stable(searched.power >= power, max(first, 1))


def _sufficient_where_households_differ(situation: Situation, power: float) -> Sufficient | None:
    most = min(MOST_EACH_WHERE_HOUSEHOLDS_DIFFER, MOST_IN_ALL // situation.households)
    if lengths_of(situation, np.array([float(most)])).power[0] < power:
        return None
    enough: list[bool] = []
    failed = 0
    for each, reached in enumerate(_powers_where_households_differ(situation), start=1):
        enough.append(reached >= power)
        failed = failed if enough[-1] else each
        if each > _FURTHER_WHERE_HOUSEHOLDS_DIFFER * failed + _FURTHER_AT_LEAST_WHERE_HOUSEHOLDS_DIFFER:
            return _first_and_stable(np.array(enough), 1)
        if each == most:
            break
    return None


def _first_and_stable(enough: NDArray[np.bool_], start: int) -> Sufficient | None:
    if not enough[-1]:
        return None
    fails = np.flatnonzero(~enough)
    stable = int(fails[-1]) + 1 if fails.size else 0
    return Sufficient(first=start + int(np.argmax(enough)), stable=start + stable)


def _powers_where_households_differ(situation: Situation) -> Iterator[float]:
    """Give the power at one presentation for each household, two, three and so on."""
    households = situation.households
    most = min(MOST_EACH_WHERE_HOUSEHOLDS_DIFFER, MOST_IN_ALL // households)
    totals = households * np.arange(1.0, most + 1.0)
    fewest = _critical_counts(situation, totals)[0].astype(np.int64)
    weights, correct = _households(situation)
    wrong = 1.0 - correct
    # One row for each kind of household, one column for each count; a presentation more moves a share of each along.
    counts = np.zeros((correct.size, most + 1))
    counts[:, 0] = 1.0
    for each in range(1, most + 1):
        moved = counts[:, :each] * correct[:, None]
        counts[:, : each + 1] *= wrong[:, None]
        counts[:, 1 : each + 1] += moved
        yield _upper_tail_of_sum(weights @ counts[:, : each + 1], households, int(fewest[each - 1]))


def _mixed_count(presentations: int, weights: FloatArray, correct: FloatArray) -> FloatArray:
    """Compute the distribution of one household's count of right answers over all kinds of households."""
    count = np.arange(presentations + 1.0)
    ways = special.gammaln(presentations + 1.0) - special.gammaln(count + 1.0) - special.gammaln(count[::-1] + 1.0)
    logarithm = ways + special.xlogy(count, correct[:, None]) + special.xlog1py(count[::-1], -correct[:, None])
    return np.asarray(weights @ np.exp(logarithm))


def _upper_tail_of_sum(count: FloatArray, households: int, fewest: int) -> float:
    """Compute the chance that as many equal and independent counts add up to `fewest` or more."""
    if households == 1:
        return float(count[fewest:].sum())
    longest = households * (count.size - 1) + 1
    padded = fft.next_fast_len(longest, real=True)
    total = fft.irfft(fft.rfft(count, padded) ** households, padded)
    return float(np.clip(total[fewest:longest].sum(), 0.0, 1.0))


def _households(situation: Situation) -> tuple[FloatArray, FloatArray]:
    """Lay out kinds of households over the normal logit, with their weights and proportions correct."""
    # The steeper the logit, the finer the steps: the trapezoidal rule is then exact to far below what is printed.
    step = _NODE_STEP / max(1.0, situation.spread)
    z = np.arange(-_REACH, _REACH + step, step)
    weights = np.exp(-0.5 * z * z)
    weights /= weights.sum()

    def excess(mean_logit: float) -> float:
        return float(weights @ special.expit(mean_logit + situation.spread * z)) - situation.discriminating

    mean_logit = optimize.brentq(excess, -60.0, 60.0, xtol=1e-12)
    discriminating = special.expit(mean_logit + situation.spread * z)
    return weights, situation.guess + (1.0 - situation.guess) * discriminating
