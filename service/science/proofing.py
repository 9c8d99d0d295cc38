"""Dilute, blend and measure out spirits, by mass."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.science import ethanol_water
from service.science.checks import Numeric, number, only_one, refuse_where, same_length
from service.science.errors import InputError
from service.science.inverse import polynomial

CAUTION: Final = (
    "Strong spirit and its vapour burn: no flame or spark near it, and good air. "
    "Distilling without a licence is unlawful in many countries; follow the law where you are."
)

_STRENGTH: Final = "percent alcohol by volume at 20 °C"


@dataclass(frozen=True, slots=True)
class Dilution:
    """What to mix, all at 20 °C.

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
    """Water that brings a spirit down to a strength, by mass balance at 20 °C.

    Parameters
    ----------
    abv_percent, target_abv_percent : float or ndarray
        Strength before and after, % vol at 20 °C, 0..100; the target above 0 and not above the strength.
    volume_l : float or ndarray
        Spirit to dilute, in litres at 20 °C; or
    mass_kg : float or ndarray
        the same weighed, in kg; or
    final_volume_l : float or ndarray
        litres wanted in the end, at 20 °C.

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
        "target_abv_percent",
        weak > strong,
        "is above the {strength:g} % vol at hand: water can't raise it; blend instead.",
        lambda: {"strength": strong},
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


@dataclass(frozen=True, slots=True)
class Part:
    """One spirit (or water, at 0 % vol) that goes into a blend: litres at 20 °C, or kilograms."""

    abv_percent: float
    volume_l: float | None = None
    mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Blend:
    """What a blend comes to, at 20 °C; `contraction_l` is the volume lost by mixing."""

    abv_percent: float
    volume_l: float
    mass_kg: float
    contraction_l: float


def blend(parts: Sequence[Part]) -> Blend:
    """Strength and volume of spirits mixed together, by mass balance at 20 °C.

    Parameters
    ----------
    parts : sequence of Part
        At least one, with some mass between them.

    Raises
    ------
    InputError
        With the part's index, where an amount isn't given once or a value is out of range.

    References
    ----------
    Densities: OIML R 22 (1975).

    """
    mass = ethanol = volume = 0.0
    for index, part in enumerate(parts):
        try:
            abv = float(number("abv_percent", part.abv_percent, 0.0, 100.0, _STRENGTH))
            chosen = only_one({"volume_l": part.volume_l, "mass_kg": part.mass_kg})
            amount = float(number(chosen, getattr(part, chosen), 0.0, 1e9, "an amount of spirit"))
        except InputError as error:
            raise InputError(f"parts.{error.field}", error.detail, index) from None
        fraction = float(ethanol_water.solve_abv(abv))
        density = float(_density_kg_per_l(fraction))
        part_kg = amount * density if chosen == "volume_l" else amount
        mass += part_kg
        volume += part_kg / density
        ethanol += part_kg * fraction
    if mass <= 0.0:
        raise InputError("parts", "hold nothing: give at least one amount above 0.")
    fraction = min(ethanol / mass, 1.0)
    mixed_l = mass / float(_density_kg_per_l(fraction))
    return Blend(float(ethanol_water.unchecked_abv(fraction)), mixed_l, mass, volume - mixed_l)


@dataclass(frozen=True, slots=True)
class Volume:
    """A volume at another temperature, and the factor that takes it there."""

    volume_l: Numeric
    factor: Numeric


def correct_volume(volume_l: Numeric, abv_percent: Numeric, from_c: Numeric, to_c: Numeric = 20.0) -> Volume:
    """Volume that a spirit takes up at another temperature; the vessel's own expansion is left out.

    Parameters
    ----------
    volume_l : float or ndarray
        Litres at `from_c`.
    abv_percent : float or ndarray
        Strength, % vol at 20 °C.
    from_c, to_c : float or ndarray
        Temperatures in °C, -20..40 and above freezing.

    Raises
    ------
    InputError
        Outside those ranges.

    References
    ----------
    Densities: OIML R 22 (1975).

    """
    volume = number("volume_l", volume_l, 0.0, 1e9, "litres")
    abv = number("abv_percent", abv_percent, 0.0, 100.0, _STRENGTH)
    same_length({"volume_l": volume, "abv_percent": abv, "from_c": from_c, "to_c": to_c})
    fraction = ethanol_water.solve_abv(abv)
    factor = _density_at("from_c", fraction, from_c) / _density_at("to_c", fraction, to_c)
    return Volume(volume * factor, factor)


def _density_at(field: str, fraction: Numeric, temperature_c: Numeric) -> Numeric:
    try:
        return ethanol_water.density(fraction, temperature_c)
    except InputError as error:
        raise InputError(field, error.detail, error.index) from None
