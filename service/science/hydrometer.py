"""Correct a hydrometer reading for the sample's temperature."""

from dataclasses import dataclass
from typing import Final

from service.science import sugar
from service.science.checks import Numeric, number, refuse_where, same_length
from service.science.inverse import polynomial, polynomial_with_slope
from service.science.uncertainty import combined

GLASS_EXPANSION: Final = 25e-6
"""Cubic expansion of hydrometer glass per kelvin, the conventional value of ISO 1768:1975."""

IN_USE: Final = 370e-6
"""Relative uncertainty of a good hydrometer in its user's hands: surface tension, contact angle, temperature.
Aguilera, Wright, Bean, Meas. Sci. Technol. 19 (2008) 015104."""

HOTTEST_C: Final = 60.0

CAUTION: Final = (
    "Above 40 °C a reading is poor (the sample cools, moves and evaporates) and hot liquid scalds and cracks glass: "
    "cool the sample first."
)


@dataclass(frozen=True, slots=True)
class HydrometerReading:
    """A corrected gravity.

    `sg` is on the 20/20 °C scale; `calibration_scale_sg` is on the instrument's own (60/60 °F, say). The correction
    is `sg` less the reading. `uncertainty_sg` is a standard uncertainty (k = 1).
    """

    sg: Numeric
    correction_sg: Numeric
    uncertainty_sg: Numeric
    calibration_scale_sg: Numeric


def correct_hydrometer(
    reading_sg: Numeric,
    sample_c: Numeric,
    calibration_c: Numeric = 20.0,
    *,
    reading_uncertainty_sg: Numeric = 0.001,
    thermometer_uncertainty_c: Numeric = 0.5,
) -> HydrometerReading:
    """Specific gravity at 20 °C from a hydrometer read at another temperature.

    The sample's expansion is a sucrose solution's; with 5 % vol alcohol in it the result is about 0.0001 low at 10 K
    above calibration. The instrument is glass, marked against water at its own calibration temperature.

    Parameters
    ----------
    reading_sg : float or ndarray
        What the scale shows.
    sample_c : float or ndarray
        Temperature of the sample, 0..60 °C.
    calibration_c : float or ndarray
        Temperature the scale was marked for, 0..60 °C: 20, or 15.56 for 60 °F.
    reading_uncertainty_sg : float or ndarray
        Standard uncertainty of reading the scale; the default is a judgement for 0.002 divisions.
    thermometer_uncertainty_c : float or ndarray
        Standard uncertainty of the temperature; the default is a judgement.

    Raises
    ------
    InputError
        Outside 0..60 °C, or where no sucrose solution would give the reading.

    References
    ----------
    ICUMSA sucrose density (Bubnik et al., 1995); glass: ISO 1768:1975; instrument in use: Aguilera, Wright, Bean, Meas.
    Sci. Technol. 19 (2008) 015104; propagation: JCGM 100:2008.

    """
    warm = "a hotter sample can't be read well, a colder one may freeze; bring it near the calibration temperature"
    reading = number("reading_sg", reading_sg, 0.9, 1.5, "a specific gravity such as 1.050, not 50 and not 12")
    sample = number("sample_c", sample_c, 0.0, HOTTEST_C, warm)
    calibration = number("calibration_c", calibration_c, 0.0, HOTTEST_C, "the temperature printed on the instrument")
    spread = number("reading_uncertainty_sg", reading_uncertainty_sg, 0.0, 0.05, "a standard uncertainty")
    kelvin = number("thermometer_uncertainty_c", thermometer_uncertainty_c, 0.0, 10.0, "a standard uncertainty")
    same_length(
        {
            "reading_sg": reading,
            "sample_c": sample,
            "calibration_c": calibration,
            "reading_uncertainty_sg": spread,
            "thermometer_uncertainty_c": kelvin,
        }
    )
    at_calibration, at_sample = sugar.coefficients_at(calibration), sugar.coefficients_at(sample)
    glass = 1.0 / (1.0 + GLASS_EXPANSION * (sample - calibration))
    # The density that floats the instrument to a mark of 1; times the reading, to the reading.
    marked = at_calibration[0] * glass
    plato = sugar.solve_plato(at_sample, reading * marked)
    # A solution at the ends of the range is where the solver stops; past it there is none.
    refuse_where(
        "reading_sg",
        (plato <= sugar.PLATO_LOW + 1e-9) | (plato >= sugar.PLATO_HIGH - 1e-9),
        f"belongs to no solution of {sugar.PLATO_LOW:.0f} to {sugar.PLATO_HIGH:.0f} degrees Plato, which read "
        "{low:.3f} to {high:.3f} at this temperature. Check the reading and the temperature.",
        lambda: {
            "low": polynomial(at_sample, 0.01 * sugar.PLATO_LOW) / marked,
            "high": polynomial(at_sample, 0.01 * sugar.PLATO_HIGH) / marked,
        },
    )
    sg = sugar.unchecked_sg(plato)
    warming = polynomial(sugar.warming_at(sample), 0.01 * plato) + GLASS_EXPANSION * glass * reading * marked
    per_density = 100.0 * sugar.slope_sg_per_plato(plato) / polynomial_with_slope(at_sample, 0.01 * plato)[1]
    return HydrometerReading(
        sg=sg,
        correction_sg=sg - reading,
        uncertainty_sg=combined(per_density * marked * spread, per_density * warming * kelvin, IN_USE * sg),
        calibration_scale_sg=polynomial(at_calibration, 0.01 * plato) / at_calibration[0],
    )
