"""Strength of a spirit from an alcoholmeter or a density, and whether two spirits are shown to match."""

from dataclasses import dataclass
from typing import Final

from service.science import ethanol_water as ew
from service.science.checks import Numeric, number, only_one, refuse_where, same_length
from service.science.errors import InputError
from service.science.hydrometer import GLASS_EXPANSION
from service.science.inverse import Polynomial, polynomial, polynomial_with_slope
from service.science.uncertainty import combined

MODEL_UNCERTAINTY_KG_PER_M3: Final = 0.054
"""Half-width 0.094 as a rectangle: the most by which OIML R 22 and the US Bureau of Standards table differ."""

OBSCURED: Final = (
    "sugar, wood and colour make a spirit heavier, so that density (and an alcoholmeter, which weighs too) reads low, "
    "by about 0.2 % vol for each gram of solids in a litre. Distil a measured sample, where that is lawful, or have a "
    "laboratory do it, and give the distillate's reading."
)

_READING: Final = "percent alcohol by volume, as the scale shows"
_SPREAD: Final = "a standard uncertainty"


@dataclass(frozen=True, slots=True)
class Strength:
    """Strength of an ethanol-water mixture; `uncertainty_percent` is standard (k = 1), in % vol."""

    abv_percent: Numeric
    abw_percent: Numeric
    density_20c_kg_per_m3: Numeric
    us_proof: Numeric
    uncertainty_percent: Numeric


def strength(
    *,
    sample_c: Numeric,
    reading_abv_percent: Numeric | None = None,
    density_kg_per_m3: Numeric | None = None,
    calibration_c: Numeric = 20.0,
    dissolved_solids_g_per_l: Numeric = 0.0,
    reading_uncertainty_percent: Numeric = 0.5,
    density_uncertainty_kg_per_m3: Numeric = 0.1,
    thermometer_uncertainty_c: Numeric = 0.5,
) -> Strength:
    """Alcoholic strength at 20 °C from an alcoholmeter's reading or a density, at the sample's temperature.

    Parameters
    ----------
    sample_c : float or ndarray
        Temperature of the sample, -20..40 °C and above freezing.
    reading_abv_percent : float or ndarray
        What a glass alcoholmeter shows, % vol; or
    density_kg_per_m3 : float or ndarray
        density in vacuum at the sample's temperature.
    calibration_c : float or ndarray
        Temperature the alcoholmeter was marked for, 0..40 °C: 20, or 15.56 for a US proof scale, of which half the
        proof is the reading.
    dissolved_solids_g_per_l : float or ndarray
        Sugar, wood extract and colour in it: above 0 is refused.
    reading_uncertainty_percent, density_uncertainty_kg_per_m3, thermometer_uncertainty_c : float or ndarray
        Standard uncertainties; the defaults are judgements for 1 % divisions, a hobby balance and thermometer.

    Raises
    ------
    InputError
        Unless exactly one of reading and density is given; out of range; obscured; or where no mixture of ethanol and
        water would read so.

    References
    ----------
    OIML R 22 (1975); glass 25e-6 per kelvin: ISO 1768:1975; US proof: 27 CFR 30.11; propagation: JCGM 100:2008.

    """
    chosen = only_one({"reading_abv_percent": reading_abv_percent, "density_kg_per_m3": density_kg_per_m3})
    sample = number("sample_c", sample_c, ew.TEMPERATURE_LOW_C, ew.TEMPERATURE_HIGH_C, "the range of OIML R 22")
    calibration = number("calibration_c", calibration_c, 0.0, 40.0, "the temperature printed on the instrument")
    solids = number("dissolved_solids_g_per_l", dissolved_solids_g_per_l, 0.0, 2000.0, "grams in a litre")
    refuse_where("dissolved_solids_g_per_l", solids > 0.0, f"strength can't be told from density: {OBSCURED}")
    kelvin = number("thermometer_uncertainty_c", thermometer_uncertainty_c, 0.0, 10.0, _SPREAD)
    by_scale = chosen == "reading_abv_percent"
    if by_scale:
        value = number(chosen, reading_abv_percent, 0.0, 100.0, _READING)
        spread = number("reading_uncertainty_percent", reading_uncertainty_percent, 0.0, 20.0, _SPREAD)
    else:
        value = number(chosen, density_kg_per_m3, 700.0, 1100.0, "densities of ethanol-water mixtures")
        spread = number("density_uncertainty_kg_per_m3", density_uncertainty_kg_per_m3, 0.0, 50.0, _SPREAD)
    same_length(
        {
            chosen: value,
            "sample_c": sample,
            "calibration_c": calibration,
            "dissolved_solids_g_per_l": solids,
            "reading_uncertainty_percent" if by_scale else "density_uncertainty_kg_per_m3": spread,
            "thermometer_uncertainty_c": kelvin,
        }
    )
    floated = _density_that_floats(value, sample, calibration) if by_scale else _Floated(value, 1.0, 0.0)
    coefficients = ew.coefficients_at(sample)
    rho, water = floated.rho, coefficients[0]
    refuse_where(
        chosen,
        (rho > water * (1.0 + 1e-12)) | (rho < sum(coefficients) * (1.0 - 1e-12)),
        "is beyond pure water or pure ethanol, which read {low:.2f} to {high:.2f} at this temperature. Check the "
        "temperature, the scale, and for sugar.",
        lambda: _ends(coefficients, sample, calibration) if by_scale else {"low": sum(coefficients), "high": water},
    )
    fraction = ew.solve_mass_fraction(coefficients, rho)
    ew.refuse_frozen(fraction, sample)
    at_20c, slope_20c = polynomial_with_slope(ew.coefficients_at(20.0), fraction)
    abv_slope = ew.abv_slope(fraction, at_20c, slope_20c, ew.ETHANOL_20C)
    abv_for_density = abv_slope / polynomial_with_slope(coefficients, fraction)[1]
    return Strength(
        abv_percent=100.0 * fraction * at_20c / ew.ETHANOL_20C,
        abw_percent=100.0 * fraction,
        density_20c_kg_per_m3=at_20c,
        us_proof=2.0 * ew.unchecked_abv(fraction, ew.SIXTY_FAHRENHEIT_C),
        uncertainty_percent=combined(
            abv_for_density * floated.per_unit * spread,
            abv_for_density * (floated.per_kelvin - polynomial(ew.warming_at(sample), fraction)) * kelvin,
            abv_for_density * MODEL_UNCERTAINTY_KG_PER_M3,
        ),
    )


@dataclass(frozen=True, slots=True)
class _Floated:
    """Density of the liquid, and by how much it moves with what was read and with the sample's temperature."""

    rho: Numeric
    per_unit: Numeric
    per_kelvin: Numeric


def _density_that_floats(reading: Numeric, sample: Numeric, calibration: Numeric) -> _Floated:
    """Density of the liquid that floats a glass alcoholmeter to its reading."""
    fraction = ew.solve_abv(reading, calibration)
    coefficients = ew.coefficients_at(calibration)
    marked, slope = polynomial_with_slope(coefficients, fraction)
    per_percent = slope / ew.abv_slope(fraction, marked, slope, sum(coefficients))
    glass = 1.0 / (1.0 + GLASS_EXPANSION * (sample - calibration))
    return _Floated(marked * glass, per_percent * glass, -GLASS_EXPANSION * marked * glass * glass)


def _ends(coefficients: Polynomial, sample: Numeric, calibration: Numeric) -> dict[str, Numeric]:
    """What the scale, from 0 to 100, shows in water and in ethanol."""
    swollen = 1.0 + GLASS_EXPANSION * (sample - calibration)
    marks = ew.coefficients_at(calibration)
    low, high = (
        ew.unchecked_abv(ew.solve_mass_fraction(marks, rho * swollen), calibration)
        for rho in (coefficients[0], sum(coefficients))
    )
    return {"low": low, "high": high}


@dataclass(frozen=True, slots=True)
class Sample:
    """One spirit as read: the reading and how far instrument and thermometer may be off.

    Parameters
    ----------
    reading_abv_percent : float
        What the alcoholmeter shows, % vol.
    sample_c : float
        Temperature of the sample, °C.
    instrument_tolerance_percent : float
        Most that the alcoholmeter may be off, % vol.
    thermometer_tolerance_c : float
        Most that the thermometer may be off, K.
    calibration_c : float
        Temperature the alcoholmeter was marked for, °C.

    """

    reading_abv_percent: float
    sample_c: float
    instrument_tolerance_percent: float = 0.5
    thermometer_tolerance_c: float = 0.5
    calibration_c: float = 20.0


@dataclass(frozen=True, slots=True)
class Match:
    """Whether two spirits are shown to have one strength, as far as the instruments can tell.

    `difference_percent` is `a` less `b` in % vol; `could_differ_by_percent` is its size plus twice its standard
    uncertainty. Equal readings never show equal strengths.
    """

    a: Strength
    b: Strength
    difference_percent: float
    difference_uncertainty_percent: float
    could_differ_by_percent: float
    tolerance_percent: float
    shown_to_match: bool
    reading: str


def match(a: Sample, b: Sample, tolerance_percent: float = 0.5) -> Match:
    """Say how far two strengths could differ, and whether that is within a tolerance.

    Tolerances are taken as rectangular (half-width over the root of three) and as independent, also where one
    instrument read both: its own error then cancels in part, so the answer errs on the safe side.

    Parameters
    ----------
    a, b : Sample
        The two spirits as read.
    tolerance_percent : float
        Difference in % vol that doesn't matter, above 0 and up to 10.

    Raises
    ------
    InputError
        As `strength`, with the field after `a.` or `b.`.

    References
    ----------
    OIML R 22 (1975); JCGM 100:2008, 4.3.7 (rectangular tolerances) and 6.2 (coverage factor 2).

    """
    tolerance = float(number("tolerance_percent", tolerance_percent, 1e-6, 10.0, "a difference in % vol"))
    strength_a, strength_b = _of_sample("a", a), _of_sample("b", b)
    difference = float(strength_a.abv_percent - strength_b.abv_percent)
    spread = float((strength_a.uncertainty_percent**2 + strength_b.uncertainty_percent**2) ** 0.5)
    could_differ = abs(difference) + 2.0 * spread
    shown = could_differ <= tolerance
    return Match(
        a=strength_a,
        b=strength_b,
        difference_percent=difference,
        difference_uncertainty_percent=spread,
        could_differ_by_percent=could_differ,
        tolerance_percent=tolerance,
        shown_to_match=shown,
        reading=_match_reading(difference, could_differ, tolerance, shown=shown),
    )


def _of_sample(field: str, sample: Sample) -> Strength:
    root_three = 3.0**0.5
    try:
        instrument = number(
            "instrument_tolerance_percent", sample.instrument_tolerance_percent, 0.0, 20.0, "a tolerance in % vol"
        )
        thermometer = number("thermometer_tolerance_c", sample.thermometer_tolerance_c, 0.0, 10.0, "a tolerance in K")
        return strength(
            reading_abv_percent=sample.reading_abv_percent,
            sample_c=sample.sample_c,
            calibration_c=sample.calibration_c,
            reading_uncertainty_percent=instrument / root_three,
            thermometer_uncertainty_c=thermometer / root_three,
        )
    except InputError as error:
        raise InputError(f"{field}.{error.field}", error.detail) from None


def _match_reading(difference: float, could_differ: float, tolerance: float, *, shown: bool) -> str:
    allowed = f"{tolerance:.2g}" if tolerance >= 1e-4 else f"{tolerance:.7f}".rstrip("0")
    apart = f"The strengths lie {abs(difference):.2f} % vol apart, and could differ by up to {could_differ:.2f}."
    if shown:
        return f"{apart} That is within the {allowed} % vol allowed: shown to match that closely, no closer."
    if abs(difference) > tolerance:
        return f"{apart} Bring the stronger one down and read both again, at one temperature."
    return (
        f"{apart} These instruments can't show a match within {allowed} % vol: use finer ones, or read both with "
        "one alcoholmeter at one temperature."
    )
