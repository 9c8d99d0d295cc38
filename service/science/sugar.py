"""Density of water and of sucrose solutions, and the extract scales that rest on it."""

from functools import lru_cache
from typing import Final

import numpy as np

from service.science.checks import Numeric, number, refuse_where, same_length
from service.science.inverse import Polynomial, invert_polynomial, polynomial, polynomial_with_slope

PLATO_LOW: Final = -8.0
"""Apparent extract below zero is what alcohol does to a density reading; the polynomial is extrapolated to here."""

PLATO_HIGH: Final = 70.0
"""The highest mass percent at which the polynomial was held against a published table."""

RANGE: Final = (
    "the sucrose density formula is held to published tables up to 70 % mass, and extrapolated below water. Check the "
    "scale and the decimal point"
)

_WATER_TOP: Final = (999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12)
_WATER_BOTTOM: Final = (1.0, 16.887236e-3)

# One row for each power of (t - 20)/100, one column for each power of the mass fraction from the first.
_SUCROSE: Final = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.289),
    (-46.272, -7.172, 1.1597, 5.1126, 17.5254, 0.0),
    (59.7712, 7.2491, 12.363, -35.4791, 0.0, 0.0),
    (-47.2207, -21.6977, 27.6301, 0.0, 0.0, 0.0),
    (18.3184, 12.3081, 0.0, 0.0, 0.0, 0.0),
)
_BY_FRACTION: Final = tuple(zip(*_SUCROSE, strict=True))


def water_density(temperature_c: Numeric) -> Numeric:
    """Density of air-free water at 101.325 kPa, in kg/m3.

    Parameters
    ----------
    temperature_c : float or ndarray
        Temperature in °C, 0..100.

    Raises
    ------
    InputError
        Outside 0..100 °C.

    References
    ----------
    The rational formula that goes with the ICUMSA sucrose densities: Bubnik, Kadlec, Urban, Bruhns, Sugar
    Technologists Manual, Bartens 1995.

    """
    return _water(_temperature(temperature_c))


def sucrose_density(plato: Numeric, temperature_c: Numeric = 20.0) -> Numeric:
    """Density of a sucrose solution in vacuum, in kg/m3.

    Parameters
    ----------
    plato : float or ndarray
        Grams of sucrose in 100 g of solution, -8..70; below zero is extrapolated.
    temperature_c : float or ndarray
        Temperature in °C, 0..100.

    Raises
    ------
    InputError
        Outside those ranges.

    References
    ----------
    ICUMSA polynomial: Bubnik, Kadlec, Urban, Bruhns, Sugar Technologists Manual, Bartens 1995, p. 164.

    """
    plato = number("plato", plato, PLATO_LOW, PLATO_HIGH, RANGE)
    temperature_c = _temperature(temperature_c)
    same_length({"plato": plato, "temperature_c": temperature_c})
    return polynomial(coefficients_at(temperature_c), 0.01 * plato)


def plato_from_density(density_kg_per_m3: Numeric, temperature_c: Numeric = 20.0) -> Numeric:
    """Mass percent of sucrose in a solution of known density: the inverse of `sucrose_density`.

    Parameters
    ----------
    density_kg_per_m3 : float or ndarray
        Density in vacuum.
    temperature_c : float or ndarray
        Temperature in °C, 0..100.

    Raises
    ------
    InputError
        Where the density is outside that of -8..70 % solutions at the temperature.

    """
    density = number("density_kg_per_m3", density_kg_per_m3, 1.0, 2000.0, RANGE)
    temperature_c = _temperature(temperature_c)
    same_length({"density_kg_per_m3": density, "temperature_c": temperature_c})
    coefficients = coefficients_at(temperature_c)
    low = polynomial(coefficients, 0.01 * PLATO_LOW)
    high = polynomial(coefficients, 0.01 * PLATO_HIGH)
    refuse_where(
        "density_kg_per_m3",
        (density < low * (1.0 - 1e-12)) | (density > high * (1.0 + 1e-12)),
        f"must be between {np.min(low):.2f} and {np.max(high):.2f} at this temperature: {RANGE}.",
    )
    return solve_plato(coefficients, density)


def coefficients_at(temperature_c: Numeric) -> Polynomial:
    """Density in kg/m3 at one temperature, as a polynomial in the mass fraction; no checks."""
    if isinstance(temperature_c, float):
        return _coefficients_at_one(temperature_c)
    return _collapse(temperature_c)


def warming_at(temperature_c: Numeric) -> Polynomial:
    """Change of density in kg/m3 for each kelvin at one temperature, as a polynomial in the mass fraction."""
    theta = 0.01 * (temperature_c - 20.0)
    above, rise = polynomial_with_slope(_WATER_TOP, temperature_c)
    below = polynomial(_WATER_BOTTOM, temperature_c)
    powers = [0.01 * polynomial_with_slope(column, theta)[1] for column in _BY_FRACTION]
    return ((rise - above / below * _WATER_BOTTOM[1]) / below, *powers)


def solve_plato(coefficients: Polynomial, density: Numeric) -> Numeric:
    """Mass percent at which the density polynomial of `coefficients_at` reaches `density`; no checks."""
    return 100.0 * invert_polynomial(coefficients, density, 0.01 * PLATO_LOW, 0.01 * PLATO_HIGH, _first_guess(density))


@lru_cache(maxsize=256)
def _coefficients_at_one(temperature_c: float) -> Polynomial:
    return _collapse(temperature_c)


def _collapse(temperature_c: Numeric) -> Polynomial:
    theta = 0.01 * (temperature_c - 20.0)
    powers = [polynomial(column, theta) for column in _BY_FRACTION]
    return (_water(temperature_c), *powers)


def _water(temperature_c: Numeric) -> Numeric:
    return polynomial(_WATER_TOP, temperature_c) / polynomial(_WATER_BOTTOM, temperature_c)


def _first_guess(density: Numeric) -> Numeric:
    """Mass fraction to about 0.01: density as 1000 + 385 w + 160 w^2, solved."""
    rise = (density - 998.2) * (160.0 / 385.0**2 * 4.0) + 1.0
    root: Numeric = max(rise, 0.0) ** 0.5 if isinstance(rise, float) else np.sqrt(np.maximum(rise, 0.0))
    return (root - 1.0) * (385.0 / 320.0)


def _temperature(temperature_c: Numeric) -> Numeric:
    return number("temperature_c", temperature_c, 0.0, 100.0, "the formula holds for liquid water, 0 to 100 °C")


WATER_20C: Final = float(_water(20.0))
"""Density of water at 20 °C in kg/m3: the unit of specific gravity 20/20."""

AT_20C: Final[Polynomial] = coefficients_at(20.0)


def plato_from_sg(sg: Numeric) -> Numeric:
    """Grams of extract in 100 g at specific gravity 20/20 °C (in vacuum).

    Raises
    ------
    InputError
        Outside the gravities of -8..70 % solutions.

    """
    sg = number("sg", sg, SG_LOW, SG_HIGH, RANGE)
    return solve_plato(AT_20C, sg * WATER_20C)


def sg_from_plato(plato: Numeric) -> Numeric:
    """Return specific gravity 20/20 °C (in vacuum) of a solution with `plato` grams of extract in 100 g.

    Raises
    ------
    InputError
        Outside -8..70.

    """
    plato = number("plato", plato, PLATO_LOW, PLATO_HIGH, RANGE)
    return unchecked_sg(plato)


def unchecked_sg(plato: Numeric) -> Numeric:
    """Return `sg_from_plato` without its check, for values already known to be in range."""
    return polynomial(AT_20C, 0.01 * plato) / WATER_20C


def plato_from_extract(extract_g_per_l: Numeric) -> Numeric:
    """Grams of extract in 100 g, from grams in a litre at 20 °C.

    Raises
    ------
    InputError
        Outside the extracts of -8..70 % solutions.

    """
    extract = number("extract_g_per_l", extract_g_per_l, EXTRACT_LOW, EXTRACT_HIGH, RANGE)
    by_litre = (0.0, *AT_20C)
    start = extract / (998.2 + 0.31 * extract)
    return 100.0 * invert_polynomial(by_litre, extract, 0.01 * PLATO_LOW, 0.01 * PLATO_HIGH, start)


def slope_sg_per_plato(plato: Numeric) -> Numeric:
    """Return d(sg)/d(plato) at 20 °C, for carrying a reading's uncertainty over; no checks."""
    return 0.01 * polynomial_with_slope(AT_20C, 0.01 * plato)[1] / WATER_20C


SG_LOW: Final = float(polynomial(AT_20C, 0.01 * PLATO_LOW)) / WATER_20C
SG_HIGH: Final = float(polynomial(AT_20C, 0.01 * PLATO_HIGH)) / WATER_20C
# Another order of multiplication may round a range's own end past it: hence the last digits' grace.
EXTRACT_LOW: Final = 0.01 * PLATO_LOW * SG_LOW * WATER_20C * (1.0 + 1e-12)
EXTRACT_HIGH: Final = 0.01 * PLATO_HIGH * SG_HIGH * WATER_20C * (1.0 + 1e-12)
