"""Dilute spirits to a strength, by mass."""

from dataclasses import dataclass
from typing import Final

from service.science import ethanol_water
from service.science.checks import Numeric, number, only_one, refuse_where, same_length
from service.science.inverse import polynomial

CAUTION: Final = (
    "Strong spirit and its vapour burn: no flame or spark near it, and good air. "
    "Distilling without a licence is unlawful in many countries; follow the law where you are."
)

_STRENGTH: Final = "percent alcohol by volume at 20 degC"


@dataclass(frozen=True, slots=True)
class Dilution:
    """What to mix, all at 20 degC.

    `contraction_l` is the volume that spirit and water lose by mixing; below about 20 % vol it may be negative.
    """

    spirit_l: Numeric
    add_water_l: Numeric
    add_water_kg: Numeric
    final_volume_l: Numeric
    final_mass_kg: Numeric
    contraction_l: Numeric


def dilute(
    *,
    abv_percent: Numeric,
    target_abv_percent: Numeric,
    volume_l: Numeric | None = None,
    mass_kg: Numeric | None = None,
    final_volume_l: Numeric | None = None,
) -> Dilution:
    """Water that brings a spirit down to a strength, by mass balance at 20 degC.

    Parameters
    ----------
    abv_percent, target_abv_percent : float or ndarray
        Strength before and after, % vol at 20 degC, 0..100; the target above 0 and not above the strength.
    volume_l : float or ndarray
        Spirit to dilute, in litres at 20 degC; or
    mass_kg : float or ndarray
        the same weighed, in kg; or
    final_volume_l : float or ndarray
        litres wanted in the end, at 20 degC.

    Raises
    ------
    InputError
        Unless exactly one amount is given, all are in range and the target is within reach of water.

    References
    ----------
    Densities: OIML R 22 (1975). Mass and ethanol are conserved, volume is not.

    """
    given = {"volume_l": volume_l, "mass_kg": mass_kg, "final_volume_l": final_volume_l}
    chosen = only_one(given)
    amount = number(chosen, given[chosen], 0.0, 1e9, "an amount of spirit")
    strong = number("abv_percent", abv_percent, 0.0, 100.0, _STRENGTH)
    weak = number("target_abv_percent", target_abv_percent, 0.0, 100.0, _STRENGTH)
    same_length({chosen: amount, "abv_percent": strong, "target_abv_percent": weak})
    refuse_where("target_abv_percent", weak <= 0.0, "must be above 0: no amount of water takes all the alcohol out.")
    refuse_where(
        "target_abv_percent", weak > strong, "is above the spirit's own strength: water can't raise it; blend instead."
    )
    from_fraction, to_fraction = ethanol_water.solve_abv(strong), ethanol_water.solve_abv(weak)
    from_density, to_density = _density_kg_per_l(from_fraction), _density_kg_per_l(to_fraction)
    ratio = from_fraction / to_fraction
    if chosen == "volume_l":
        mass = amount * from_density
    elif chosen == "mass_kg":
        mass = amount
    else:
        mass = amount * to_density / ratio
    water_kg = mass * (ratio - 1.0)
    water_l = water_kg / (0.001 * ethanol_water.WATER_20C)
    spirit_l = mass / from_density
    final_l = mass * ratio / to_density
    return Dilution(spirit_l, water_l, water_kg, final_l, mass * ratio, spirit_l + water_l - final_l)


def _density_kg_per_l(mass_fraction: Numeric) -> Numeric:
    return 0.001 * polynomial(ethanol_water.coefficients_at(20.0), mass_fraction)
