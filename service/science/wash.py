"""Plan and correct the gravity of a batch before fermentation, by mass balance."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science import gravity, sugar
from service.science.checks import Numeric, number, refuse_where, same_length
from service.science.errors import InputError
from service.science.ethanol_water import ETHANOL_20C
from service.science.fermentables import Ingredient, Portion, bring

WATER_UPTAKE: Final = 18.01528 / 342.29648
"""Kilograms of water taken up for each kilogram of sucrose split into glucose and fructose: molar masses."""

_VOLUME: Final = "litres at 20 °C"

_LEEWAY_SG: Final = 0.001
"""By how much a final gravity may be expected lower than fermenting everything gives: thrice this."""


@dataclass(frozen=True, slots=True)
class Wash:
    """A batch before fermentation and what it may become.

    `pure_alcohol_l` is the ethanol made, at 20 °C; the liquid shrinks by a percent or two as it ferments, so it is
    a little less than `potential_abv_percent` of the volume. `water_kg` is what to add beyond the ingredients; grain
    keeps about its own weight of water besides. `unsourced` names the kinds whose extract is from memory; `portions`
    are the ingredients in their order.
    """

    original_sg: float
    original_plato: float
    extract_kg: float
    potential_abv_percent: float
    pure_alcohol_l: float
    water_kg: float
    original_sg_low: float
    original_sg_high: float
    unsourced: tuple[str, ...]
    portions: tuple[Portion, ...]


def wash(volume_l: float, ingredients: Sequence[Ingredient], final_sg: float = 0.990) -> Wash:
    """Original gravity of ingredients made up to a volume, and the alcohol that fermenting to `final_sg` gives.

    Parameters
    ----------
    volume_l : float
        Volume of the finished wash, ingredients included, in litres at 20 °C, above 0.
    ingredients : sequence of Ingredient
        What goes in besides water.
    final_sg : float
        Specific gravity expected after fermentation: 0.990 for simple sugars, 1.005..1.015 for malt, about 1.020 for
        molasses (common practice, no source).

    Raises
    ------
    InputError
        Where nothing ferments, or the ingredients don't fit into the volume.

    References
    ----------
    ICUMSA sucrose density (all extract counted as sucrose); Balling's relation; sources of extracts in
    `fermentables.FERMENTABLES`.

    """
    volume = float(number("volume_l", volume_l, 1e-6, 1e9, _VOLUME))
    final_sg = float(number("final_sg", final_sg, sugar.SG_LOW, sugar.SG_HIGH, sugar.RANGE))
    brought = bring("ingredients", ingredients)
    extract = brought.extract_kg
    if extract <= 0.0:
        raise InputError("ingredients", "bring no extract: give at least one that ferments.")
    original = _plato(extract, volume)
    original_sg = float(sugar.unchecked_sg(original))
    mass = 0.001 * sugar.WATER_20C * original_sg * volume
    water = mass - extract - brought.water_kg
    if water < -1e-9 * mass:
        raise InputError(
            "volume_l", f"the ingredients' own liquid is {-water:.3f} kg more than fits; raise the volume."
        )
    if final_sg > original_sg:
        raise InputError(
            "final_sg", f"is above the gravity at the start, {original_sg:.4f}. Lower it, or put more extract in."
        )
    apparent = sugar.plato_from_sg(final_sg)
    gravity.refuse_overfermented(original, gravity.real_extract(original, apparent), apparent, _LEEWAY_SG)
    abw, abv = gravity.alcohol(original, apparent, final_sg)
    liquid_left = mass / (1.0 + 0.01 * gravity.LOST_PER_ETHANOL * abw)
    return Wash(
        original_sg=original_sg,
        original_plato=original,
        extract_kg=extract,
        potential_abv_percent=float(abv),
        pure_alcohol_l=float(10.0 * liquid_left * abw / ETHANOL_20C),
        water_kg=max(water, 0.0),
        original_sg_low=_sg(brought.extract_low_kg, volume) if brought.extract_low_kg < extract else original_sg,
        original_sg_high=_sg(brought.extract_high_kg, volume) if brought.extract_high_kg > extract else original_sg,
        unsourced=brought.unsourced,
        portions=brought.portions,
    )


def _plato(extract_kg: float, volume_l: float) -> float:
    per_litre = 1000.0 * extract_kg / volume_l
    if per_litre > sugar.EXTRACT_HIGH:
        raise InputError(
            "volume_l",
            f"{per_litre:.0f} g of extract to the litre is more than dissolves, {sugar.EXTRACT_HIGH:.0f}; raise the "
            "volume, or put less in.",
        )
    return float(sugar.plato_from_extract(per_litre))


def _sg(extract_kg: float, volume_l: float) -> float:
    return float(sugar.unchecked_sg(_plato(extract_kg, volume_l)))


@dataclass(frozen=True, slots=True)
class Adjustment:
    """What brings a batch to its target gravity: water or sucrose, the other being 0."""

    add_water_l: Numeric
    add_sucrose_kg: Numeric
    final_volume_l: Numeric


def adjust(volume_l: Numeric, sg: Numeric, target_sg: Numeric) -> Adjustment:
    """Water or sucrose that brings an unfermented batch to a target gravity, by mass balance at 20 °C.

    Parameters
    ----------
    volume_l : float or ndarray
        Litres at 20 °C.
    sg, target_sg : float or ndarray
        Specific gravity 20/20 °C now and wanted; from 1.000 up, as nothing has fermented yet.

    Raises
    ------
    InputError
        Outside the ranges, or where water alone would have to reach 1.000.

    References
    ----------
    ICUMSA sucrose density: Bubnik, Kadlec, Urban, Bruhns, Sugar Technologists Manual, Bartens 1995, p. 164.

    """
    volume = number("volume_l", volume_l, 0.0, 1e9, _VOLUME)
    sg = number("sg", sg, 1.0, sugar.SG_HIGH, "an unfermented batch")
    target_sg = number("target_sg", target_sg, 1.0, sugar.SG_HIGH, "an unfermented batch")
    same_length({"volume_l": volume, "sg": sg, "target_sg": target_sg})
    refuse_where(
        "target_sg",
        (target_sg <= 1.0) & (sg > 1.0),
        "must be above 1.000: no amount of water takes all the sugar out.",
    )
    now, wanted = 0.01 * sugar.plato_from_sg(sg), 0.01 * sugar.plato_from_sg(target_sg)
    mass = 0.001 * sugar.WATER_20C * volume * sg
    weaker = wanted < now
    water_kg = _where(weaker, mass * (now / _where(weaker, wanted, 1.0) - 1.0))
    sucrose_kg = _where(~np.asarray(weaker), mass * (wanted - now) / (1.0 - wanted))
    final = (mass + water_kg + sucrose_kg) / (0.001 * sugar.WATER_20C * target_sg)
    return Adjustment(water_kg / (0.001 * sugar.WATER_20C), sucrose_kg, final)


def _where(condition: object, value: Numeric, otherwise: float = 0.0) -> Numeric:
    chosen = np.where(np.asarray(condition, dtype=bool), value, otherwise)
    return chosen if chosen.ndim else float(chosen)


@dataclass(frozen=True, slots=True)
class Inversion:
    """Sucrose split into glucose and fructose, which takes up water."""

    glucose_kg: Numeric
    fructose_kg: Numeric
    sucrose_left_kg: Numeric
    water_taken_up_kg: Numeric
    mass_gain_percent: Numeric


def invert_sucrose(sucrose_kg: Numeric, inverted_fraction: Numeric = 1.0) -> Inversion:
    """What inversion makes of sucrose: a mass balance from molar masses.

    Parameters
    ----------
    sucrose_kg : float or ndarray
        Sucrose before, in kg.
    inverted_fraction : float or ndarray
        Share of it that is split, 0..1.

    Raises
    ------
    InputError
        Outside those ranges.

    References
    ----------
    C12H22O11 + H2O -> C6H12O6 + C6H12O6; molar masses 342.29648, 18.01528, 180.15588 g/mol.

    """
    sucrose = number("sucrose_kg", sucrose_kg, 0.0, 1e9, "a mass in kg")
    fraction = number("inverted_fraction", inverted_fraction, 0.0, 1.0, "a share of the sucrose")
    same_length({"sucrose_kg": sucrose, "inverted_fraction": fraction})
    split = sucrose * fraction
    water = split * WATER_UPTAKE
    each = 0.5 * (split + water)
    return Inversion(each, each, sucrose - split, water, 100.0 * WATER_UPTAKE * fraction + 0.0 * sucrose)
