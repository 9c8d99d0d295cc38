"""Extract scales, and alcohol from the gravity before and after fermentation."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.science import sugar
from service.science.checks import Numeric, number, only_one, refuse_where, same_length
from service.science.errors import InputError
from service.science.ethanol_water import ETHANOL_20C
from service.science.fermentables import Ingredient, bring
from service.science.uncertainty import combined

EXTRACT_PER_ETHANOL: Final = 2.0665
"""Grams of extract that yield a gram of ethanol, 0.9565 g of carbon dioxide and 0.11 g of yeast (Balling, 1865)."""

LOST_PER_ETHANOL: Final = 1.0665
"""Grams that leave the liquid as gas and yeast for each gram of ethanol (Balling, 1865)."""

ATTENUATION_COEFFICIENT: Final = 0.8192
"""Share of the apparent extract in the real extract; convention, from memory."""

ATTENUATION_COEFFICIENT_UNCERTAINTY: Final = 0.005
"""Cutaia, Reid, Speers, J. Inst. Brew. 115(4), 318-327 (2009): standard error 0.0048 over 532 brews."""

_ORIGINAL: Final = "the gravity before fermentation, above water's: 1.050, not 50 and not 12"


@dataclass(frozen=True, slots=True)
class Scales:
    """One solution on four scales at 20 °C."""

    sg: Numeric
    plato: Numeric
    extract_g_per_l: Numeric
    density_kg_per_m3: Numeric


def scales(
    *,
    sg: Numeric | None = None,
    plato: Numeric | None = None,
    extract_g_per_l: Numeric | None = None,
    density_kg_per_m3: Numeric | None = None,
) -> Scales:
    """Express a sugar solution's strength on the four extract scales, at 20 °C and in vacuum.

    Parameters
    ----------
    sg : float or ndarray
        Specific gravity 20/20 °C.
    plato : float or ndarray
        Grams of extract in 100 g (degrees Plato, Brix and Balling alike).
    extract_g_per_l : float or ndarray
        Grams of extract in a litre at 20 °C.
    density_kg_per_m3 : float or ndarray
        Density at 20 °C.

    Raises
    ------
    InputError
        Unless exactly one is given, and within -8..70 degrees Plato.

    References
    ----------
    ICUMSA sucrose density: Bubnik, Kadlec, Urban, Bruhns, Sugar Technologists Manual, Bartens 1995, p. 164.

    """
    given = {"sg": sg, "plato": plato, "extract_g_per_l": extract_g_per_l, "density_kg_per_m3": density_kg_per_m3}
    only_one(given)
    if sg is not None:
        plato = sugar.plato_from_sg(sg)
    elif extract_g_per_l is not None:
        plato = sugar.plato_from_extract(extract_g_per_l)
    elif density_kg_per_m3 is not None:
        plato = sugar.plato_from_density(density_kg_per_m3)
    else:
        plato = number("plato", plato, sugar.PLATO_LOW, sugar.PLATO_HIGH, sugar.RANGE)
    density = sugar.sucrose_density(plato)
    return Scales(density / sugar.WATER_20C, plato, 0.01 * plato * density, density)


@dataclass(frozen=True, slots=True)
class Attenuation:
    """What a fermentation made of its extract.

    `abv_uncertainty_percent` is a standard uncertainty (k = 1) in % vol. An apparent attenuation over 100 % is legal:
    alcohol is lighter than water, so a dry ferment reads below 1.000. `equivalent_original_sg` is the gravity that the
    batch would have had with every addition in it from the start; without additions the original gravity itself, and
    `original_plato` goes with it.
    """

    abv_percent: Numeric
    abw_percent: Numeric
    abv_linear_percent: Numeric
    abv_uncertainty_percent: Numeric
    original_plato: Numeric
    apparent_extract_plato: Numeric
    real_extract_plato: Numeric
    apparent_attenuation_percent: Numeric
    real_attenuation_percent: Numeric
    equivalent_original_sg: Numeric


def attenuation(
    original_sg: Numeric,
    final_sg: Numeric,
    reading_uncertainty_sg: Numeric = 0.001,
    additions: Sequence[Ingredient] = (),
    volume_l: Numeric | None = None,
) -> Attenuation:
    """Alcohol and attenuation from the gravity before and after fermentation.

    `abv_linear_percent` is 131.25 times the fall in gravity: common practice, no source; it reads low above 5 % vol.

    Parameters
    ----------
    original_sg, final_sg : float or ndarray
        Specific gravity 20/20 °C before and after, free of gas and at 20 °C (or corrected to it).
    reading_uncertainty_sg : float or ndarray
        Standard uncertainty of each reading, 0..0.05.
    additions : sequence of Ingredient
        Sugar, honey, juice or water added between the readings, in steps or at once.
    volume_l : float or ndarray or None
        Volume at the first reading, in litres at 20 °C; needed with additions, and only then.

    Raises
    ------
    InputError
        Where a gravity is out of range, the final one is above the original and no addition explains it, or more
        extract seems gone than there was.

    References
    ----------
    Balling (1865): 2.0665 g extract to 1 g ethanol, 0.9565 g carbon dioxide, 0.11 g yeast. Attenuation coefficient
    0.8192 by convention (from memory), its uncertainty from Cutaia, Reid, Speers, J. Inst. Brew. 115(4), 318-327
    (2009). Ethanol density: OIML R 22. Additions: mass balance of extract and liquid.

    """
    original_sg = number("original_sg", original_sg, 1.0 if additions else 1.0005, sugar.SG_HIGH, _ORIGINAL)
    final_sg = number("final_sg", final_sg, sugar.SG_LOW, sugar.SG_HIGH, sugar.RANGE)
    spread = number("reading_uncertainty_sg", reading_uncertainty_sg, 0.0, 0.05, "a standard uncertainty")
    same_length({"original_sg": original_sg, "final_sg": final_sg, "reading_uncertainty_sg": spread})
    original, apparent = sugar.plato_from_sg(original_sg), sugar.plato_from_sg(final_sg)
    share: Numeric = 1.0
    if additions:
        original, share = _with_additions(original, original_sg, additions, volume_l)
        original_sg = sugar.unchecked_sg(original)
    refuse_where(
        "final_sg",
        final_sg > original_sg,
        "is above the original gravity of {original:.4f}. Swap them, or declare all that was added during the ferment.",
        lambda: {"original": original_sg},
    )
    real = real_extract(original, apparent)
    refuse_overfermented(original, real, apparent, spread)
    abw, abv = alcohol(original, apparent, final_sg)
    return Attenuation(
        abv_percent=abv,
        abw_percent=abw,
        abv_linear_percent=131.25 * (original_sg - final_sg),
        abv_uncertainty_percent=_abv_uncertainty(original, apparent, spread, share),
        original_plato=original,
        apparent_extract_plato=apparent,
        real_extract_plato=real,
        apparent_attenuation_percent=100.0 * (original - apparent) / original,
        real_attenuation_percent=100.0 * (original - real) / original,
        equivalent_original_sg=original_sg,
    )


def _with_additions(
    original: Numeric, original_sg: Numeric, additions: Sequence[Ingredient], volume_l: Numeric | None
) -> tuple[Numeric, Numeric]:
    """Extract percent of the whole batch had it been together from the start, and the first reading's share of it."""
    if volume_l is None:
        raise InputError("volume_l", "is needed with additions: the volume at the first reading, in litres.")
    volume = number("volume_l", volume_l, 1e-6, 1e9, "litres at 20 °C at the first reading")
    same_length({"original_sg": original_sg, "volume_l": volume})
    brought = bring("additions", additions)
    first = 0.001 * sugar.WATER_20C * volume * original_sg
    whole = first + brought.extract_kg + brought.water_kg
    equivalent = 100.0 * (0.01 * original * first + brought.extract_kg) / whole
    refuse_where("additions", equivalent > sugar.PLATO_HIGH, "bring more extract than would dissolve.")
    refuse_where("additions", equivalent < 0.1, "leave no extract to ferment: give the sugar that was added too.")
    return equivalent, first / whole


def real_extract(original: Numeric, apparent: Numeric, coefficient: float = ATTENUATION_COEFFICIENT) -> Numeric:
    """Grams of extract truly left in 100 g, from the original and the apparent extract; no checks."""
    return original - coefficient * (original - apparent)


def refuse_overfermented(original: Numeric, real: Numeric, apparent: Numeric, reading_uncertainty_sg: Numeric) -> None:
    """Raise InputError where more extract seems gone than there was, by more than a reading's uncertainty explains."""
    slack = 3.0 * ATTENUATION_COEFFICIENT * reading_uncertainty_sg / sugar.slope_sg_per_plato(apparent)
    refuse_where(
        "final_sg",
        real < -slack - 1e-9,
        "is lower than fermenting all of this extract gives, {lowest:.4f}. Check it and the original gravity, and "
        "whether spirit was added.",
        lambda: {"lowest": sugar.unchecked_sg(original - original / ATTENUATION_COEFFICIENT)},
    )


def alcohol(
    original: Numeric, apparent: Numeric, final_sg: Numeric, coefficient: float = ATTENUATION_COEFFICIENT
) -> tuple[Numeric, Numeric]:
    """Percent alcohol by mass and by volume, by Balling's relation; no checks."""
    fermented = coefficient * (original - apparent)
    abw = fermented / extract_per_ethanol(original)
    return abw, abw * final_sg * (sugar.WATER_20C / ETHANOL_20C)


def extract_per_ethanol(original: Numeric) -> Numeric:
    """Percent of extract that must go for each percent of alcohol by mass, as the liquid gets lighter; no checks."""
    return EXTRACT_PER_ETHANOL - 0.01 * LOST_PER_ETHANOL * original


def _abv_uncertainty(original: Numeric, apparent: Numeric, spread: Numeric, share: Numeric) -> Numeric:
    """Propagate both readings and the attenuation coefficient to % vol.

    What was weighed in counts as exact, so the first reading's uncertainty weighs by its share of the batch.
    """
    coefficient = ATTENUATION_COEFFICIENT
    sg, sg_per_plato = sugar.unchecked_sg(apparent), sugar.slope_sg_per_plato(apparent)
    abw = alcohol(original, apparent, sg)[0]
    per_ethanol = extract_per_ethanol(original)
    first = (coefficient + 0.01 * LOST_PER_ETHANOL * abw) * share * spread / sugar.slope_sg_per_plato(original)
    last = (abw * sg_per_plato * per_ethanol / sg - coefficient) * spread / sg_per_plato
    known = (original - apparent) * ATTENUATION_COEFFICIENT_UNCERTAINTY
    return combined(first, last, known) * sg * (sugar.WATER_20C / ETHANOL_20C) / per_ethanol
