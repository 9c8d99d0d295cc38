"""The alcohol in a tasting plan: tasting is drinking, and a plan can count it beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from service.science import trial_columns
from service.science.checks import number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from service.science.checks import FloatArray, Numeric
    from service.science.trial_columns import Count

# Pure ethanol at 20 degrees Celsius, g/mL; from memory, and in wide use to three figures.
ETHANOL_G_PER_ML = 0.7893

# Chosen for this service, in grams in a day; no standard sets them for tasting. The first is below every national
# figure for one occasion, the second is Australia's four standard drinks.
CAUTION_G = 20.0
STRONG_CAUTION_G = 40.0
SPLIT_G = 60.0

_WITHIN = "Within the amount from which this service warns."
_CAUTION = "More than a light drinking occasion: pour less, lower the strength, spit, or take more days."
_STRONG = "More than four ten-gram drinks in a day: pour less, lower the strength, spit, or take more days."
_SPLIT = "Too much for one day: don't serve it so. Pour less, lower the strength, spit, or split it over more days."
_SPITTING = " Spitting lowers what is taken in, but not to nothing; the share swallowed is your own guess."
_ALWAYS = (
    " Not for anyone pregnant, under the legal age, about to drive or work a machine, on medicine that alcohol "
    "disturbs or in recovery. Keep days without alcohol."
)


_ADVICE = np.array(
    [[text + spitting + _ALWAYS for spitting in ("", _SPITTING)] for text in (_WITHIN, _CAUTION, _STRONG, _SPLIT)],
    dtype=object,
)
"""By how much it is, and whether some is spat out."""


@dataclass(frozen=True, slots=True)
class NationalUnit:
    """A country's unit of alcohol, in grams or, where the unit is one, millilitres of pure alcohol."""

    country: str
    unit: str
    grams: float | None
    pure_alcohol_ml: float | None
    guidance: str
    source: str


@dataclass(frozen=True, slots=True)
class UnitsPerDay:
    """A day's tasting in one country's unit."""

    country: str
    unit: str
    units_per_day: Numeric
    guidance: str
    source: str


@dataclass(frozen=True, slots=True)
class AlcoholLoad:
    """Alcohol of a tasting plan, for one taster; each leaf is a number or text, or an array where any argument was one.

    `days_advised` is the fewest days that keep each below the amount from which this service warns, or as many as
    presentations where a single one is beyond it.
    """

    poured_ml: Numeric
    pure_alcohol_ml: Numeric
    grams: Numeric
    grams_per_day: Numeric
    grams_per_day_all_swallowed: Numeric
    national_units: tuple[UnitsPerDay, ...]
    days_advised: Count
    advice: str | NDArray[np.object_]


NATIONAL_UNITS = (
    NationalUnit(
        "United Kingdom",
        "unit",
        None,
        10.0,
        "no more than 14 a week regularly, spread over three or more days",
        "UK Chief Medical Officers' low risk drinking guidelines 2016",
    ),
    NationalUnit(
        "United States",
        "standard drink",
        14.0,
        None,
        "drink less for better health (2025-2030); two a day for men and one for women (2020-2025)",
        "Dietary Guidelines for Americans; National Institute on Alcohol Abuse and Alcoholism",
    ),
    NationalUnit(
        "Australia",
        "standard drink",
        10.0,
        None,
        "no more than 10 a week and 4 on any day",
        "National Health and Medical Research Council 2020",
    ),
    NationalUnit(
        "New Zealand",
        "standard drink",
        10.0,
        None,
        "two a day and 10 a week for women, three and 15 for men; on one occasion 4 and 5; two days without",
        "Health Promotion Agency 2011",
    ),
    NationalUnit(
        "Canada",
        "standard drink",
        13.45,
        None,
        "none is safest; one or two a week low risk; no more than two on one occasion",
        "Health Canada; Canadian Centre on Substance Use and Addiction 2023",
    ),
)


def grams_of_alcohol(volume_ml: FloatArray, abv_percent: FloatArray) -> FloatArray:
    """Compute the grams of ethanol in a volume (mL) of a strength (% vol at 20 degrees Celsius)."""
    return volume_ml * abv_percent * (ETHANOL_G_PER_ML / 100.0)


def alcohol_load(
    presentations: Count,
    glasses_per_presentation: Count,
    pour_ml: Numeric,
    abv_percent: Numeric,
    *,
    swallowed_fraction: Numeric = 1.0,
    days: Count = 1,
) -> AlcoholLoad:
    """Count the alcohol that a tasting plan pours for one taster.

    Parameters
    ----------
    presentations : int or array
        Presentations, 1 to 100 000.
    glasses_per_presentation : int or array
        1 to 20.
    pour_ml : float or array
        Poured into each glass, mL, 0.1 to 1000.
    abv_percent : float or array
        Strength as served, % vol, 0 to 100.
    swallowed_fraction : float or array
        Share swallowed, 0 to 1; spitting lowers it, and by how much is the caller's guess.
    days : int or array
        Days over which the presentations are spread evenly, 1 to 1000.

    Raises
    ------
    InputError
        For a number out of range.

    References
    ----------
    National units: each with its source in `NATIONAL_UNITS`. United Kingdom units are counted from millilitres.
    The amounts from which `advice` warns are this service's own.

    """
    n, glasses, pour, strength, swallowed, spread = trial_columns.together(
        presentations=trial_columns.whole_numbers("presentations", presentations, 1, 100_000, "presentations served"),
        glasses_per_presentation=trial_columns.whole_numbers(
            "glasses_per_presentation", glasses_per_presentation, 1, 20, "glasses in one presentation"
        ),
        pour_ml=np.asarray(number("pour_ml", pour_ml, 0.1, 1000.0, "poured into each glass, in mL")),
        abv_percent=np.asarray(number("abv_percent", abv_percent, 0.0, 100.0, "strength as served, in % vol")),
        swallowed_fraction=np.asarray(
            number("swallowed_fraction", swallowed_fraction, 0.0, 1.0, "share of the pour that is swallowed")
        ),
        days=trial_columns.whole_numbers("days", days, 1, 1000, "days of tasting"),
    )
    poured = n * glasses * pour
    pure = poured * strength / 100.0 * swallowed
    grams = pure * ETHANOL_G_PER_ML
    if_swallowed = grams_of_alcohol(poured, strength) / spread
    out = trial_columns.as_given
    return AlcoholLoad(
        poured_ml=out(poured),
        pure_alcohol_ml=out(pure),
        grams=out(grams),
        grams_per_day=out(grams / spread),
        grams_per_day_all_swallowed=out(if_swallowed),
        national_units=tuple(
            UnitsPerDay(
                each.country,
                each.unit,
                out((pure / each.pure_alcohol_ml if each.pure_alcohol_ml else grams / (each.grams or 1.0)) / spread),
                each.guidance,
                each.source,
            )
            for each in NATIONAL_UNITS
        ),
        days_advised=trial_columns.counts_as_given(days_advised(n, grams / n)),
        advice=out(_advice(grams / spread, if_swallowed, swallowed)),
    )


def days_advised(presentations: FloatArray, grams_each: FloatArray) -> FloatArray:
    """Compute the fewest days that keep whole presentations within the amount from which this service warns.

    Parameters
    ----------
    presentations : array
        Presentations for one taster.
    grams_each : array
        Grams of alcohol swallowed in one of them.

    """
    # A trace of alcohol is as good as none, and keeps the quotient finite.
    a_day = np.floor(CAUTION_G / np.maximum(grams_each, 1e-9) * (1.0 + 1e-12))
    a_day = np.minimum(np.maximum(a_day, 1.0), presentations)
    return np.asarray(np.ceil(presentations / a_day))


def _advice(grams: FloatArray, if_swallowed: FloatArray, swallowed: FloatArray) -> NDArray[np.object_]:
    # Spitting is no reason to hide that the glasses hold more than a light occasion.
    light = (grams > CAUTION_G) | (if_swallowed > CAUTION_G)
    level = light.astype(int) + (grams > STRONG_CAUTION_G) + (grams > SPLIT_G)
    return np.asarray(_ADVICE[level, (swallowed < 1.0).astype(int)], dtype=object)
