"""Gravity and strength of a fermenting sample from a refractometer, given its original extract."""

from dataclasses import dataclass
from fractions import Fraction
from math import comb
from typing import Final

from service.science import gravity, sugar
from service.science.checks import Numeric, number, refuse_where, same_length
from service.science.ethanol_water import ETHANOL_20C
from service.science.inverse import Polynomial, invert, invert_polynomial, polynomial, polynomial_with_slope
from service.science.uncertainty import combined

MODEL_UNCERTAINTY_PLATO: Final = 0.2
"""Two additive models of the mixture's index differ by 0.04 to 0.16 degrees Brix; no ternary table was at hand."""

_HIGHEST_ORIGINAL: Final = 39.0
"""Fermented to the last gram, this much extract makes 23.6 % alcohol by mass; the index of ethanol is fitted to 24."""

_CENTRE: Final = Fraction("1.35")


def _shift(coefficients: tuple[str, ...], centre: Fraction) -> Polynomial:
    """Rewrite a polynomial about `centre`, exactly, so that evaluating it cancels no large terms."""
    exact = [Fraction(each) for each in coefficients]
    order = len(exact)
    return [float(sum(exact[k] * comb(k, j) * centre ** (k - j) for k in range(j, order))) for j in range(order)]


# Brix as a polynomial in the refractive index less 1.35; published about zero, lowest power first.
_BRIX: Final = _shift(("-99127.4536", "318417.95", "-413145.80", "270177.93", "-88885.21", "11758.74"), _CENTRE)
_LOW, _HIGH = 1.330 - float(_CENTRE), 1.480 - float(_CENTRE)

# Rise of the index with ethanol in mass percent, up to 24: a fit to the CRC Handbook, 102nd ed., residual 0.00005.
_ETHANOL: Final = (0.0, 5.578766e-04, 1.219246e-05, -2.606061e-07)


def _index(brix: Numeric) -> Numeric:
    """Refractive index at 20 °C and 589.3 nm, less 1.35, of a sucrose solution."""
    return invert_polynomial(_BRIX, brix, _LOW, _HIGH, _first_guess(brix))


def _first_guess(brix: Numeric) -> Numeric:
    return -0.0170 + 0.00143 * brix + 9e-6 * brix * brix


_WATER: Final = float(_index(0.0))


@dataclass(frozen=True, slots=True)
class RefractometerReading:
    """A fermenting sample by refractometer.

    The uncertainties are standard (k = 1) and hold the model's 0.2 degrees Brix, which is repeated in
    `model_uncertainty_plato`.
    """

    sg: Numeric
    abv_percent: Numeric
    uncertainty_sg: Numeric
    abv_uncertainty_percent: Numeric
    apparent_extract_plato: Numeric
    real_extract_plato: Numeric
    model_uncertainty_plato: float


def read_refractometer(
    original_plato: Numeric,
    reading_plato: Numeric,
    instrument_factor: Numeric = 1.0,
    *,
    reading_uncertainty_plato: Numeric = 0.1,
) -> RefractometerReading:
    """Gravity and strength of a fermenting sample from its refractometer reading at 20 °C.

    The indices of sugar and ethanol are taken to add up, Balling's relation ties the two together, and the apparent
    extract that gives the reading is solved for.

    Parameters
    ----------
    original_plato : float or ndarray
        Extract before fermentation in g/100 g, 1..39: by hydrometer, or a refractometer reading already divided by the
        factor.
    reading_plato : float or ndarray
        What the instrument shows now, in degrees Brix at 20 °C (temperature compensation knows no alcohol: bring the
        sample to 20 °C).
    instrument_factor : float or ndarray
        Reading over true extract for this instrument and wort, 0.9..1.2; 1 for a sugar wash. About 1.04 is common for
        malt wort (common practice, no source): measure it on your own.
    reading_uncertainty_plato : float or ndarray
        Standard uncertainty of the reading; the default is a judgement.

    Raises
    ------
    InputError
        Out of range, or where the reading lies above the original extract or below that of a wash without any left.

    References
    ----------
    Sucrose scale: polynomial fit to the ICUMSA table. Ethanol: CRC Handbook of Chemistry and Physics, 102nd ed.
    The additive model is derived from them; no published ternary table was available to check it.

    """
    original = number("original_plato", original_plato, 1.0, _HIGHEST_ORIGINAL, "the extract before fermentation")
    reading = number("reading_plato", reading_plato, 0.0, 60.0, "degrees Brix")
    factor = number("instrument_factor", instrument_factor, 0.9, 1.2, "reading over true extract, 1 for sugar in water")
    spread = number("reading_uncertainty_plato", reading_uncertainty_plato, 0.0, 5.0, "a standard uncertainty")
    same_length(
        {
            "original_plato": original,
            "reading_plato": reading,
            "instrument_factor": factor,
            "reading_uncertainty_plato": spread,
        }
    )
    brix = reading / factor
    refuse_where(
        "reading_plato",
        brix > original + 1e-9,
        "is above the original extract, {highest:.2f} on this instrument: nothing has fermented, or one of the two is "
        "wrong.",
        lambda: {"highest": original * factor},
    )
    lowest = polynomial(_BRIX, _WATER + polynomial(_ETHANOL, _abw(original, 0.0)))
    refuse_where(
        "reading_plato",
        brix < lowest - 1e-9,
        "is below {lowest:.2f}, which this original extract gives with all of it fermented. Check both, at 20 °C and "
        "free of gas.",
        lambda: {"lowest": lowest * factor},
    )
    real, real_per_brix = _real(original, brix)
    apparent = original - (original - real) / gravity.ATTENUATION_COEFFICIENT
    sg, sg_per_plato = sugar.unchecked_sg(apparent), sugar.slope_sg_per_plato(apparent)
    abw, abv = gravity.alcohol(original, apparent, sg)
    of_real = real_per_brix * combined(MODEL_UNCERTAINTY_PLATO, spread / factor)
    # Alcohol and real extract are tied by Balling; the coefficient moves only the apparent extract, thus the gravity.
    sg_per_real = sg_per_plato / gravity.ATTENUATION_COEFFICIENT
    of_coefficient = (
        sg_per_real
        * (original - real)
        * (gravity.ATTENUATION_COEFFICIENT_UNCERTAINTY / gravity.ATTENUATION_COEFFICIENT)
    )
    abv_per_real = abw * sg_per_real - sg / gravity.extract_per_ethanol(original)
    return RefractometerReading(
        sg=sg,
        abv_percent=abv,
        uncertainty_sg=combined(sg_per_real * of_real, of_coefficient),
        abv_uncertainty_percent=combined(abv_per_real * of_real, abw * of_coefficient)
        * (sugar.WATER_20C / ETHANOL_20C),
        apparent_extract_plato=apparent,
        real_extract_plato=real,
        model_uncertainty_plato=MODEL_UNCERTAINTY_PLATO,
    )


def expected_reading(original_plato: Numeric, apparent_extract_plato: Numeric) -> Numeric:
    """Brix that the model expects at an original and an apparent extract; no checks."""
    real = gravity.real_extract(original_plato, apparent_extract_plato)
    return polynomial(_BRIX, _index(real) + polynomial(_ETHANOL, _abw(original_plato, real)))


def _abw(original: Numeric, real: Numeric) -> Numeric:
    return (original - real) / gravity.extract_per_ethanol(original)


def _real(original: Numeric, brix: Numeric) -> tuple[Numeric, Numeric]:
    """Real extract at a reading, and its slope by the reading.

    Solved for the sugar's share of the index, in which everything is a polynomial.
    """
    per_ethanol = gravity.extract_per_ethanol(original)

    def index(sugar_index: Numeric) -> tuple[Numeric, Numeric]:
        real, per_index = polynomial_with_slope(_BRIX, sugar_index)
        rise, per_percent = polynomial_with_slope(_ETHANOL, (original - real) / per_ethanol)
        return sugar_index + rise, 1.0 - per_percent * per_index / per_ethanol

    start = _first_guess(original - 1.27 * (original - brix))
    whole = _index(brix)
    share = invert(index, whole, _LOW, _HIGH, start)
    real, per_share = polynomial_with_slope(_BRIX, share)
    return real, per_share / (index(share)[1] * polynomial_with_slope(_BRIX, whole)[1])
