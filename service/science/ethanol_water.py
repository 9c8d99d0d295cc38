"""Density and strength of ethanol-water mixtures."""

from collections.abc import Sequence
from functools import lru_cache
from itertools import zip_longest
from typing import Final

import numpy as np

from service.science.checks import Numeric, number, refuse_where, same_length
from service.science.inverse import (
    Polynomial,
    even_table,
    in_blocks,
    invert_polynomial,
    look_up,
    polynomial,
)

TEMPERATURE_LOW_C: Final = -20.0
TEMPERATURE_HIGH_C: Final = 40.0
SIXTY_FAHRENHEIT_C: Final = (60.0 - 32.0) / 1.8

_A: Final = (
    998.20123,
    -192.9769495,
    389.1238958,
    -1668.103923,
    13522.15441,
    -88292.78388,
    306287.4042,
    -613838.1234,
    747017.2998,
    -547846.1354,
    223446.0334,
    -39032.85426,
)
_B: Final = (-0.20618513, -0.0052682542, 3.6130013e-05, -3.8957702e-07, 7.169354e-09, -9.9739231e-11)
_C: Final = (
    (
        0.1693443461530087,
        -10.46914743455169,
        71.96353469546523,
        -704.7478054272792,
        3924.090430035045,
        -12101.64659068747,
        22486.46550400788,
        -26055.62982188164,
        18523.73922069467,
        -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701,
        0.2517399633803461,
        -2.170575700536993,
        13.53034988843029,
        -50.29988758547014,
        109.635566657757,
        -142.2753946421155,
        108.043594285623,
        -44.14153236817392,
        7.442971530188783,
    ),
    (
        -0.0006802995733503803,
        0.01876837790289664,
        -0.2002561813734156,
        1.02299296671922,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -0.5411227621436812,
    ),
    (4.075376675622027e-06, -8.76305857347111e-06, 6.515031360099368e-06, -1.51578483698721e-06),
    (-2.788074354782409e-08, 1.345612883493354e-08),
)

# Freezing points of aqueous ethanol, CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties of
# Aqueous Solutions: mass percent against °C below zero. Stronger mixtures freeze below the formula's own range.
FREEZING_ABW: Final = (
    0,
    0.5,
    1,
    2,
    3,
    4,
    5,
    6,
    7,
    8,
    9,
    10,
    11,
    12,
    13,
    14,
    15,
    16,
    17,
    18,
    19,
    20,
    22,
    24,
    26,
    28,
    30,
)
FREEZING_DEPRESSION_C: Final = (
    *(0, 0.2, 0.4, 0.81, 1.23, 1.65, 2.09, 2.54, 2.99, 3.47, 3.96, 4.47, 5, 5.56, 6.13, 6.73, 7.36, 8.01, 8.69),
    *(9.4, 10.14, 10.92, 12.6, 14.47, 16.41, 18.43, 20.47),
)

# Density of water and of ethanol, lowest power of (t - 20) first.
_WATER: Final = (_A[0], *_B)
_ETHANOL: Final = (sum(_A), *(b + sum(c) for b, c in zip(_B, (*_C, ()), strict=True)))

# The whole formula: one row for each power of the mass fraction, one column for each power of (t - 20).
_COLUMNS: Final = (_A, *((b, *c) for b, c in zip(_B, (*_C, ()), strict=True)))
_FORMULA: Final = tuple(zip_longest(*_COLUMNS, fillvalue=0.0))
_WARMING: Final = tuple((*(power * row[power] for power in range(1, len(row))), 0.0) for row in _FORMULA)
"""Its derivative by temperature."""

_TEMPERATURE: Final = "the OIML R 22 formula holds from -20 to 40 °C; bring the sample into that range"
_FRACTION: Final = "a mass fraction of ethanol"


def density(mass_fraction: Numeric, temperature_c: Numeric = 20.0) -> Numeric:
    """Density of an ethanol-water mixture in vacuum, in kg/m3.

    Parameters
    ----------
    mass_fraction : float or ndarray
        Ethanol by mass, 0..1.
    temperature_c : float or ndarray
        Temperature in °C, -20..40 and above freezing.

    Raises
    ------
    InputError
        Outside those ranges, or where the mixture would be partly frozen.

    References
    ----------
    OIML R 22 (1975), International Alcoholometric Tables; the same formula stands in Council Directive 76/766/EEC.

    """
    fraction = number("mass_fraction", mass_fraction, 0.0, 1.0, _FRACTION)
    temperature_c = _temperature(temperature_c)
    same_length({"mass_fraction": fraction, "temperature_c": temperature_c})
    refuse_frozen(fraction, temperature_c)
    return polynomial(coefficients_at(temperature_c), fraction)


def mass_fraction_from_density(density_kg_per_m3: Numeric, temperature_c: Numeric = 20.0) -> Numeric:
    """Mass fraction of ethanol in a mixture of known density: the inverse of `density`.

    Parameters
    ----------
    density_kg_per_m3 : float or ndarray
        Density in vacuum.
    temperature_c : float or ndarray
        Temperature in °C, -20..40 and above freezing.

    Raises
    ------
    InputError
        Where no liquid mixture of ethanol and water has that density at that temperature.

    """
    rho = number("density_kg_per_m3", density_kg_per_m3, 700.0, 1100.0, "densities of ethanol-water mixtures")
    temperature_c = _temperature(temperature_c)
    same_length({"density_kg_per_m3": rho, "temperature_c": temperature_c})
    lightest, heaviest = _density_of(_ETHANOL, temperature_c), _density_of(_WATER, temperature_c)
    refuse_where(
        "density_kg_per_m3",
        (rho < lightest * (1.0 - 1e-12)) | (rho > heaviest * (1.0 + 1e-12)),
        f"must be between that of ethanol and that of water at this temperature, {np.min(lightest):.2f} to "
        f"{np.max(heaviest):.2f} kg/m3. Heavier: something is dissolved in it, which hides the strength.",
    )
    fraction = in_blocks(_solve_at, rho, temperature_c)
    refuse_frozen(fraction, temperature_c)
    return fraction


def _solve_at(rho: Numeric, temperature_c: Numeric) -> Numeric:
    return solve_mass_fraction(coefficients_at(temperature_c), rho)


def abv_from_mass_fraction(mass_fraction: Numeric, reference_c: float = 20.0) -> Numeric:
    """Percent alcohol by volume, both volumes at `reference_c` °C, from the mass fraction of ethanol.

    Raises
    ------
    InputError
        Outside 0..1.

    References
    ----------
    OIML R 22 (1975): q = 100 p rho(p, 20)/rho(1, 20).

    """
    fraction = number("mass_fraction", mass_fraction, 0.0, 1.0, _FRACTION)
    return polynomial(_abv_coefficients(reference_c), fraction)


def mass_fraction_from_abv(abv_percent: Numeric, reference_c: float = 20.0) -> Numeric:
    """Mass fraction of ethanol, from percent alcohol by volume with both volumes at `reference_c` °C.

    Raises
    ------
    InputError
        Outside 0..100.

    """
    abv = number("abv_percent", abv_percent, 0.0, 100.0, "percent alcohol by volume")
    return solve_abv(abv, reference_c)


def abv_from_density(density_kg_per_m3: Numeric, temperature_c: Numeric = 20.0) -> Numeric:
    """Percent alcohol by volume at 20 °C of a mixture whose density at `temperature_c` °C is known.

    Raises
    ------
    InputError
        As `mass_fraction_from_density`.

    """
    return polynomial(_abv_coefficients(20.0), mass_fraction_from_density(density_kg_per_m3, temperature_c))


def us_proof_from_mass_fraction(mass_fraction: Numeric) -> Numeric:
    """US proof: twice the percent alcohol by volume, both volumes at 60 °F.

    Raises
    ------
    InputError
        Outside 0..1.

    References
    ----------
    27 CFR 30.11 (proof); the ethanol density at 60 °F is that of OIML R 22, 0.0001 below the regulation's 0.7939 in
    specific gravity.

    """
    return 2.0 * abv_from_mass_fraction(mass_fraction, SIXTY_FAHRENHEIT_C)


def mass_fraction_from_us_proof(us_proof: Numeric) -> Numeric:
    """Mass fraction of ethanol, from US proof.

    Raises
    ------
    InputError
        Outside 0..200.

    """
    proof = number("us_proof", us_proof, 0.0, 200.0, "US proof is twice the percent by volume at 60 °F")
    return solve_abv(0.5 * proof, SIXTY_FAHRENHEIT_C)


def lowest_liquid_mass_fraction(temperature_c: Numeric) -> Numeric:
    """Mass fraction of ethanol below which the mixture is partly frozen at a temperature; 0 from 0 °C up.

    References
    ----------
    CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties of Aqueous Solutions.

    """
    if isinstance(temperature_c, float) and temperature_c >= 0.0:
        return 0.0
    limit = 0.01 * np.interp(np.negative(temperature_c), FREEZING_DEPRESSION_C, FREEZING_ABW)
    return float(limit) if isinstance(temperature_c, float) else limit


def refuse_frozen(mass_fraction: Numeric, temperature_c: Numeric) -> None:
    """Raise InputError where a mixture would be partly frozen."""
    if isinstance(temperature_c, float) and temperature_c >= 0.0:
        return
    limit = lowest_liquid_mass_fraction(temperature_c)
    refuse_where(
        "temperature_c",
        np.asarray(mass_fraction < limit),
        f"below the freezing point: at {np.min(temperature_c):.1f} °C a mixture needs at least "
        f"{100.0 * np.max(limit):.1f} % alcohol by mass to be liquid. Warm the sample.",
    )


def coefficients_at(temperature_c: Numeric) -> Polynomial:
    """Density in kg/m3 at one temperature, as a polynomial in the mass fraction; no checks."""
    if isinstance(temperature_c, float):
        return _coefficients_at_one(temperature_c)
    return _collapse(_FORMULA, temperature_c)


def warming_at(temperature_c: Numeric) -> Polynomial:
    """Change of density in kg/m3 for each kelvin at one temperature, as a polynomial in the mass fraction."""
    return _warming_at_one(temperature_c) if isinstance(temperature_c, float) else _collapse(_WARMING, temperature_c)


def unchecked_abv(mass_fraction: Numeric, reference_c: Numeric = 20.0) -> Numeric:
    """Percent alcohol by volume of a mass fraction already known to be in range."""
    return polynomial(_abv_coefficients(reference_c), mass_fraction)


def abv_slope(mass_fraction: Numeric, density: Numeric, density_slope: Numeric, of_ethanol: Numeric) -> Numeric:
    """Change of percent by volume for each unit of mass fraction, from densities in kg/m3; no checks."""
    return 100.0 * (density + mass_fraction * density_slope) / of_ethanol


def solve_mass_fraction(coefficients: Polynomial, rho: Numeric) -> Numeric:
    """Mass fraction at which the density polynomial of `coefficients_at` reaches `rho`; no checks."""
    lightness = (coefficients[0] - rho) / (coefficients[0] - sum(coefficients))
    return invert_polynomial(coefficients, rho, 0.0, 1.0, look_up(_BY_LIGHTNESS, lightness))


def solve_abv(abv_percent: Numeric, reference_c: Numeric = 20.0) -> Numeric:
    """Mass fraction at a percent by volume, with both volumes at `reference_c`; no checks."""
    start = look_up(_BY_VOLUME, 0.01 * abv_percent + 0.0 * reference_c)
    return invert_polynomial(_abv_coefficients(reference_c), abv_percent, 0.0, 1.0, start)


@lru_cache(maxsize=256)
def _coefficients_at_one(temperature_c: float) -> Polynomial:
    return _collapse(_FORMULA, temperature_c)


@lru_cache(maxsize=256)
def _warming_at_one(temperature_c: float) -> Polynomial:
    return _collapse(_WARMING, temperature_c)


def _abv_coefficients(reference_c: Numeric) -> Polynomial:
    if isinstance(reference_c, float):
        return _abv_coefficients_at_one(reference_c)
    return _by_volume(coefficients_at(reference_c))


@lru_cache(maxsize=16)
def _abv_coefficients_at_one(reference_c: float) -> Polynomial:
    return _by_volume(_coefficients_at_one(reference_c))


def _by_volume(density: Polynomial) -> Polynomial:
    ethanol = polynomial(density, 1.0)
    return (0.0, *(100.0 * each / ethanol for each in density))


def _density_of(pure: Polynomial, temperature_c: Numeric) -> Numeric:
    return polynomial(pure, temperature_c - 20.0)


def _collapse(formula: Sequence[Sequence[float]], temperature_c: Numeric) -> Polynomial:
    """Put the temperature into a formula of mass fraction and temperature, power by power."""
    w = temperature_c - 20.0
    return [a + w * (b + w * (c + w * (d + w * (e + w * (f + w * g))))) for a, b, c, d, e, f, g in formula]


def _temperature(temperature_c: Numeric) -> Numeric:
    return number("temperature_c", temperature_c, TEMPERATURE_LOW_C, TEMPERATURE_HIGH_C, _TEMPERATURE)


# Where the inverses start: strength against how far a density, or a volume, has come from water's to ethanol's.
_NODES: Final = np.linspace(0.0, 1.0, 1025)
_BY_LIGHTNESS: Final = even_table(
    _NODES, (_WATER[0] - polynomial(coefficients_at(20.0), _NODES)) / (_WATER[0] - _ETHANOL[0])
)
_BY_VOLUME: Final = even_table(_NODES, 0.01 * polynomial(_abv_coefficients(20.0), _NODES))

ETHANOL_20C: Final = float(polynomial(coefficients_at(20.0), 1.0))
WATER_20C: Final = _WATER[0]
"""Density at 20 °C in kg/m3: 0.002 below the sucrose scale's water, each true to its own formula."""
