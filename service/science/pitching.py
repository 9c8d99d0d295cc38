"""Mix hot and cold liquids to a pitching temperature, by an energy balance."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.science import sugar
from service.science.checks import number, only_one
from service.science.errors import InputError
from service.science.inverse import invert_polynomial, polynomial

CAUTION: Final = "Hot liquid scalds: pour slowly and away from you, and let boiling wort settle before moving it."

# Enthalpy of water at 101.325 kPa in J/kg from 0 °C, lowest power of the temperature first: a fit to IAPWS-95
# values from 0 to 100 °C, within 5 J/kg (0.0012 K) of them.
_WATER: Final = (0.0, 4217.2487, -1.3819628, 0.022790377, -0.00017243634, 5.6579108e-07)

# Heat capacity of a sucrose solution less that of water, in J/(kg K), for each unit of mass fraction: -2511 + 7.5 t.
_SUGAR: Final = (0.0, -2511.0, 3.75)


@dataclass(frozen=True, slots=True)
class Part:
    """One liquid in a mixture: its mass, or its volume at its own temperature; its temperature and its extract."""

    temperature_c: float
    mass_kg: float | None = None
    volume_l: float | None = None
    plato: float = 0.0


@dataclass(frozen=True, slots=True)
class PitchMix:
    """A mixture's temperature and extract, or the water that brings one liquid to a target.

    `add_water_l` is measured at the water's own temperature; it is None where only mixing was asked for.
    """

    temperature_c: float
    mass_kg: float
    plato: float
    add_water_l: float | None
    add_water_kg: float | None


def pitch_mix(parts: Sequence[Part], target_c: float | None = None, water_c: float | None = None) -> PitchMix:
    """Temperature of liquids mixed together, or the water that brings one of them to a target temperature.

    No heat of solution and none to the vessel or the air: a cold steel or plastic bucket takes a degree or so.

    Parameters
    ----------
    parts : sequence of Part
        One or more liquids, 0..100 °C; exactly one where a target is given.
    target_c, water_c : float or None
        Temperature wanted and that of the water at hand, 0..100 °C; both or neither.

    Raises
    ------
    InputError
        Out of range, without any liquid, or where water of that temperature can't bring the liquid to the target.

    References
    ----------
    Enthalpy of water: IAPWS-95. Heat capacity of sucrose solutions in J/(kg K): 4184 - 2511 w + 7.5 w t, from one
    public source.

    """
    mass = extract = enthalpy = 0.0
    for index, part in enumerate(parts):
        part_kg, plato, temperature = _measure(part, index)
        mass += part_kg
        extract += 0.01 * plato * part_kg
        enthalpy += part_kg * _enthalpy(0.01 * plato, temperature)
    if mass <= 0.0:
        raise InputError("parts", "hold nothing: give at least one amount above 0.")
    fraction = extract / mass
    if target_c is None and water_c is None:
        temperature = _temperature_at(fraction, enthalpy / mass)
        return PitchMix(temperature, mass, 100.0 * fraction, None, None)
    if target_c is None or water_c is None:
        missing = "target_c" if target_c is None else "water_c"
        raise InputError(missing, "give target_c and water_c together, or neither.")
    if len(parts) != 1:
        raise InputError("parts", "give exactly one where a target temperature is wanted.")
    water_kg = _water_to_reach(parts[0].temperature_c, target_c, water_c, fraction) * mass
    return PitchMix(
        temperature_c=float(target_c),
        mass_kg=mass + water_kg,
        plato=100.0 * extract / (mass + water_kg),
        add_water_l=1000.0 * water_kg / float(sugar.water_density(water_c)),
        add_water_kg=water_kg,
    )


def _water_to_reach(from_c: float, target_c: float, water_c: float, fraction: float) -> float:
    """Kilograms of water for each kilogram of liquid."""
    target = float(number("target_c", target_c, 0.0, 100.0, "the temperature wanted"))
    water = float(number("water_c", water_c, 0.0, 100.0, "the temperature of the water at hand"))
    if target == from_c:
        return 0.0
    if (target - from_c) * (water - target) <= 0.0:
        side = "below" if target < from_c else "above"
        raise InputError("water_c", f"must be {side} the target of {target:g} °C to bring {from_c:g} °C there.")
    given_up = _enthalpy(fraction, from_c) - _enthalpy(fraction, target)
    return given_up / (_enthalpy(0.0, target) - _enthalpy(0.0, water))


def _measure(part: Part, index: int) -> tuple[float, float, float]:
    try:
        temperature = float(number("temperature_c", part.temperature_c, 0.0, 100.0, "a liquid"))
        plato = float(number("plato", part.plato, 0.0, sugar.PLATO_HIGH, "grams of extract in 100 g"))
        chosen = only_one({"mass_kg": part.mass_kg, "volume_l": part.volume_l})
        amount = float(number(chosen, getattr(part, chosen), 0.0, 1e9, "an amount of liquid"))
    except InputError as error:
        raise InputError(f"parts.{error.field}", error.detail, index) from None
    if chosen == "volume_l":
        amount *= 0.001 * float(sugar.sucrose_density(plato, temperature))
    return amount, plato, temperature


def _enthalpy(fraction: float, temperature: float) -> float:
    return float(polynomial(_of_solution(fraction), temperature))


def _temperature_at(fraction: float, enthalpy: float) -> float:
    return float(invert_polynomial(_of_solution(fraction), enthalpy, 0.0, 100.0, enthalpy / 4184.0))


def _of_solution(fraction: float) -> list[float]:
    """Enthalpy of a solution in J/kg from 0 °C, as a polynomial in its temperature."""
    return [water + fraction * sweet for water, sweet in zip(_WATER, (*_SUGAR, 0.0, 0.0, 0.0), strict=True)]
