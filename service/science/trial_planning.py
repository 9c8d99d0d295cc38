"""How many presentations a trial needs before its result means anything, and what that costs in glasses and alcohol."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from service.science import plain_words, trial_columns
from service.science.checks import number, only_one
from service.science.drinking import days_advised, grams_of_alcohol
from service.science.errors import InputError
from service.science.psychometric import d_prime as d_prime_from
from service.science.psychometric import proportion_correct
from service.science.trial_methods import METHODS, Method, find_method
from service.science.trial_power import MOST_IN_ALL, Lengths, Situation, lengths_of, sufficient

if TYPE_CHECKING:
    from service.science.checks import FloatArray

_MOST_HOUSEHOLDS = 200
_CURVE_POINTS = 24


@dataclass(frozen=True, slots=True)
class PowerPoint:
    """A trial of one length; `fewest_correct` is over all households, None where no count reaches significance."""

    presentations: int
    fewest_correct: int | None
    achieved_significance: float
    power: float


@dataclass(frozen=True, slots=True)
class Alternative:
    """A method for the same d'; the numbers are None where more would be needed than a plan may have.

    Glasses, mL, grams of alcohol if all is swallowed, and the days this should take are for one household.
    `direction_named` marks methods that need to be told beforehand which batch has more of what is looked for.
    """

    method: str
    proportion_discriminating: float
    direction_named: bool
    presentations: int | None
    presentations_first: int | None
    fewest_correct: int | None
    glasses: int | None
    poured_ml: float | None
    alcohol_g: float | None
    days: int | None


@dataclass(frozen=True, slots=True)
class TrialPlan:
    """A trial long enough for its purpose.

    `presentations` and `presentations_first` are for each household, `presentations_in_all` and `fewest_correct` over
    all of them. `presentations` is enough at that number and every larger one, `presentations_first` only at that one.
    Glasses, mL, grams of alcohol if all is swallowed, and the days this should take are for one household.
    """

    method: str
    d_prime: float
    proportion_discriminating: float
    significance: float
    power: float
    households: int
    between_household_sd: float
    presentations: int
    presentations_first: int
    presentations_in_all: int
    fewest_correct: int
    achieved_significance: float
    achieved_power: float
    power_curve: tuple[PowerPoint, ...]
    glasses: int
    poured_ml: float
    alcohol_g: float
    days: int
    alternatives: tuple[Alternative, ...]


def trial_plan(
    method: str,
    *,
    d_prime: float | None = None,
    proportion_discriminating: float | None = None,
    significance: float = 0.05,
    power: float = 0.8,
    households: int = 1,
    between_household_sd: float = 0.0,
    pour_ml: float = 15.0,
    abv_percent: float = 20.0,
) -> TrialPlan:
    """Find how many presentations show a difference of a given size with a given chance.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    d_prime : float
        The difference to be found, 0.01 to 10 standard deviations.
    proportion_discriminating : float
        Or this instead: the mean proportion discriminating over households, 0.001 to 0.999.
    significance : float
        Largest chance that guessing passes, 0.0001 to 0.5.
    power : float
        Chance of showing a difference of that size, 0.5 to 0.9999.
    households : int
        That taste, one taster each with the same number of presentations, 1 to 200.
    between_household_sd : float
        Standard deviation between households of the logit of the proportion discriminating, 0 to 3.
    pour_ml, abv_percent : float
        For the count of alcohol: mL in each glass, 0.1 to 1000, and strength as served, % vol.

    Raises
    ------
    InputError
        For a number out of range, both sizes or neither, or a difference too small to plan for: more than 20 000
        presentations in all or, where households differ, about 380 for each.

    References
    ----------
    Exact binomial power. `presentations_first` is the rule of ISO 4120:2004 table A.3 and ISO 10399:2004 table A.3;
    `presentations` that of Ennis & Jesionka 2011, J. Sens. Stud.

    """
    asked = find_method(method)
    given = only_one({"d_prime": d_prime, "proportion_discriminating": proportion_discriminating})
    distance = _distance(asked, d_prime, proportion_discriminating)
    level = float(number("significance", significance, 0.0001, 0.5, "chance that guessing passes; 0.05 is customary"))
    wanted = float(number("power", power, 0.5, 0.9999, "chance of showing the difference; 0.8 is customary"))
    kitchens = int(trial_columns.whole_numbers("households", households, 1, _MOST_HOUSEHOLDS, "households that taste"))
    spread = float(number("between_household_sd", between_household_sd, 0.0, 3.0, "on the logit of discriminating"))
    pour = float(number("pour_ml", pour_ml, 0.1, 1000.0, "poured into each glass, in mL"))
    strength = float(number("abv_percent", abv_percent, 0.0, 100.0, "strength as served, in % vol"))

    situations = {each.name: _situation(each, distance, level, kitchens, spread) for each in METHODS.values()}
    if proportion_discriminating is not None:
        # The figure as given, not as it comes back from d'.
        situations[method] = Situation(
            asked.guess_probability, float(proportion_discriminating), level, kitchens, spread
        )
    if (found := sufficient(situations[method], wanted)) is None:
        raise InputError(given, _too_small(spread))
    here = lengths_of(situations[method], np.array([float(found.stable)]))
    poured = _pouring(asked, found.stable, pour, strength)
    return TrialPlan(
        method=method,
        d_prime=distance,
        proportion_discriminating=situations[method].discriminating,
        significance=level,
        power=wanted,
        households=kitchens,
        between_household_sd=spread,
        presentations=found.stable,
        presentations_first=found.first,
        presentations_in_all=found.stable * kitchens,
        fewest_correct=int(here.fewest_correct[0]),
        achieved_significance=float(here.significance[0]),
        achieved_power=float(here.power[0]),
        power_curve=_curve(situations[method], found.stable),
        glasses=poured.glasses,
        poured_ml=poured.poured_ml,
        alcohol_g=poured.alcohol_g,
        days=poured.days,
        alternatives=tuple(
            _alternative(METHODS[name], situation, wanted, pour, strength)
            for name, situation in situations.items()
            if name != method
        ),
    )


def _distance(method: Method, d_prime: float | None, discriminating: float | None) -> float:
    if d_prime is not None:
        return float(number("d_prime", d_prime, 0.01, 10.0, "distance in standard deviations"))
    share = float(
        number("proportion_discriminating", discriminating or 0.0, 0.001, 0.999, "share of servings told apart")
    )
    return d_prime_from(method.name, method.guess_probability + (1.0 - method.guess_probability) * share)


def _situation(method: Method, distance: float, level: float, households: int, spread: float) -> Situation:
    guess = method.guess_probability
    # A difference that nobody could miss is planned for as one that is missed once in a million million.
    share = min((proportion_correct(method.name, distance) - guess) / (1.0 - guess), 1.0 - 1e-12)
    return Situation(guess, share, level, households, spread)


def _alternative(method: Method, situation: Situation, power: float, pour_ml: float, abv_percent: float) -> Alternative:
    found = sufficient(situation, power)
    here = lengths_of(situation, np.array([float(found.stable)])) if found else None
    poured = _pouring(method, found.stable, pour_ml, abv_percent) if found else None
    return Alternative(
        method=method.name,
        proportion_discriminating=situation.discriminating,
        direction_named=not method.even,
        presentations=found.stable if found else None,
        presentations_first=found.first if found else None,
        fewest_correct=int(here.fewest_correct[0]) if here else None,
        glasses=poured.glasses if poured else None,
        poured_ml=poured.poured_ml if poured else None,
        alcohol_g=poured.alcohol_g if poured else None,
        days=poured.days if poured else None,
    )


@dataclass(frozen=True, slots=True)
class _Pouring:
    glasses: int
    poured_ml: float
    alcohol_g: float
    days: int


def _pouring(method: Method, presentations: int, pour_ml: float, abv_percent: float) -> _Pouring:
    each_ml = method.glasses_per_presentation * pour_ml
    each_g = float(grams_of_alcohol(np.asarray(each_ml), np.asarray(abv_percent)))
    return _Pouring(
        glasses=presentations * method.glasses_per_presentation,
        poured_ml=presentations * each_ml,
        alcohol_g=presentations * each_g,
        days=int(days_advised(np.asarray(float(presentations)), np.asarray(each_g))),
    )


def _curve(situation: Situation, presentations: int) -> tuple[PowerPoint, ...]:
    """Follow the power from one presentation to half as many again as are planned."""
    most = max(presentations * 3 // 2, 4)
    each: FloatArray = np.unique(np.append(np.linspace(1, most, _CURVE_POINTS).round(), presentations))
    lengths: Lengths = lengths_of(situation, each)
    total = each * situation.households
    columns = (each, lengths.fewest_correct, total, lengths.significance, lengths.power)
    return tuple(
        PowerPoint(int(n), int(fewest) if fewest <= most_possible else None, level, power)
        for n, fewest, most_possible, level, power in zip(*(column.tolist() for column in columns), strict=True)
    )


def _too_small(spread: float) -> str:
    if spread > 0.0:
        return (
            "so small a difference between households that differ needs hundreds of presentations in each: plan for a "
            "larger difference, more households, or another method."
        )
    return (
        f"so small a difference needs more than {plain_words.whole(MOST_IN_ALL)} presentations by this method: plan "
        "for a larger difference, or another method."
    )
