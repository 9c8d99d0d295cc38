import math

import numpy as np
import pytest

from service.science.ethanol_water import density
from service.science.gravity import attenuation
from service.science.hydrometer import IN_USE, correct_hydrometer
from service.science.refractometer import read_refractometer
from service.science.strength import MODEL_UNCERTAINTY_KG_PER_M3, strength
from service.science.uncertainty import combined


def test_a_product_by_the_textbook():
    # JCGM 100:2008, 5.1.2: for y = a b, u(y)^2 = b^2 u(a)^2 + a^2 u(b)^2.
    assert combined(5.0 * 0.1, -2.0 * 0.2, 0.3) == pytest.approx(math.sqrt((5 * 0.1) ** 2 + (2 * 0.2) ** 2 + 0.3**2))


def test_rows_give_what_numbers_give():
    rows = combined(np.array([3.0, -5.0]), np.array([4.0, 12.0]))
    assert rows.tolist() == [combined(3.0, 4.0), combined(5.0, 12.0)] == [5.0, 13.0]


def slope(function, at, step):
    """How fast a result moves, by a small step to each side."""
    return (function(at + step) - function(at - step)) / (2.0 * step)


@pytest.mark.parametrize(
    ("reading", "sample"),
    [(0.3, 4.0), (1.0, 19.0), (12.0, 4.0), (12.0, 33.0), (40.0, -9.0), (40.0, 33.0), (96.0, 4.0), (99.7, 33.0)],
)
@pytest.mark.parametrize("calibration", [15.56, 20.0])
def test_an_alcoholmeter_by_small_steps(reading, sample, calibration):
    def read(reading, sample):
        return strength(reading_abv_percent=reading, sample_c=sample, calibration_c=calibration)

    ours = read(reading, sample)
    fast = slope(lambda each: read(each, sample).abv_percent, reading, 1e-4)
    warm = slope(lambda each: read(reading, each).abv_percent, sample, 1e-4)
    rho = density(0.01 * ours.abw_percent, sample)
    model = slope(lambda each: strength(density_kg_per_m3=each, sample_c=sample).abv_percent, rho, 1e-4)
    by_hand = math.hypot(0.5 * fast, 0.5 * warm, model * MODEL_UNCERTAINTY_KG_PER_M3)
    assert ours.uncertainty_percent == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(("rho", "sample"), [(997.9, 20.0), (948.0, 20.0), (850.0, -10.0), (789.4, 20.0)])
def test_a_density_by_small_steps(rho, sample):
    def abv(rho, sample):
        return strength(density_kg_per_m3=rho, sample_c=sample).abv_percent

    fast = slope(lambda each: abv(each, sample), rho, 1e-4)
    warm = slope(lambda each: abv(rho, each), sample, 1e-4)
    by_hand = math.hypot(fast * 0.1, warm * 0.5, fast * MODEL_UNCERTAINTY_KG_PER_M3)
    ours = strength(density_kg_per_m3=rho, sample_c=sample).uncertainty_percent
    assert ours == pytest.approx(by_hand, rel=1e-5)


@pytest.mark.parametrize(("reading", "sample"), [(0.98, 20.0), (1.0, 4.0), (1.05, 30.0), (1.12, 59.0), (1.3, 20.0)])
@pytest.mark.parametrize("calibration", [15.56, 20.0])
def test_a_hydrometer_by_small_steps(reading, sample, calibration):
    fast = slope(lambda each: correct_hydrometer(each, sample, calibration).sg, reading, 1e-6)
    warm = slope(lambda each: correct_hydrometer(reading, each, calibration).sg, sample, 1e-3)
    ours = correct_hydrometer(reading, sample, calibration)
    by_hand = math.hypot(0.001 * fast, 0.5 * warm, IN_USE * ours.sg)
    assert ours.uncertainty_sg == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(("original", "final"), [(1.04, 1.04), (1.05, 1.01), (1.09, 0.995), (1.12, 1.03)])
def test_attenuation_by_small_steps(original, final):
    # The coefficient's own part is what exact readings leave.
    def abv(original, final):
        return attenuation(original, final).abv_percent

    first = slope(lambda each: abv(each + 2e-6, final), original, 1e-6)
    last = slope(lambda each: abv(original, each - 2e-6), final, 1e-6)
    coefficient = attenuation(original, final, reading_uncertainty_sg=0.0).abv_uncertainty_percent
    by_hand = math.hypot(0.001 * first, 0.001 * last, coefficient)
    assert attenuation(original, final).abv_uncertainty_percent == pytest.approx(by_hand, rel=1e-4)
    # Strength is in proportion to the coefficient where the final gravity is held.
    assert coefficient == pytest.approx(abv(original, final) * 0.005 / 0.8192, rel=1e-9)


@pytest.mark.parametrize(("original", "reading"), [(10.0, 9.9), (12.38, 6.03), (21.56, 7.78), (38.0, 15.0)])
@pytest.mark.parametrize("factor", [1.0, 1.04])
def test_a_refractometer_by_small_steps(original, reading, factor):
    def read(reading):
        return read_refractometer(original, reading, factor)

    ours = read(reading)
    coarse = math.hypot(0.1, 0.2 * factor)  # of the reading: its own, and the model's brought to its scale
    of_reading = coarse * slope(lambda each: read(each).abv_percent, reading, 1e-4)
    exact = [read_refractometer(original, reading, factor, reading_uncertainty_plato=u) for u in (0.0, 0.1)]
    more = slope(lambda each: read(each).abv_percent, reading, 1e-4) ** 2 * 0.1**2
    assert exact[1].abv_uncertainty_percent ** 2 - exact[0].abv_uncertainty_percent ** 2 == pytest.approx(
        more, rel=1e-5
    )
    more = slope(lambda each: read(each).sg, reading, 1e-4) ** 2 * 0.1**2
    assert exact[1].uncertainty_sg ** 2 - exact[0].uncertainty_sg ** 2 == pytest.approx(more, rel=1e-5)
    # What is left is the coefficient's part, which moves the strength by the final gravity alone: next to nothing.
    assert ours.abv_uncertainty_percent == pytest.approx(abs(of_reading), rel=1e-2)


def test_near_water_and_near_ethanol_the_uncertainty_is_no_smaller():
    # Density can't pass water's, but a reading can be off by as much there as anywhere.
    near, further = (strength(reading_abv_percent=each, sample_c=20.0).uncertainty_percent for each in (0.001, 2.0))
    assert near == pytest.approx(further, rel=0.05)
    near, further = (strength(reading_abv_percent=each, sample_c=20.0).uncertainty_percent for each in (99.999, 98.0))
    assert near == pytest.approx(further, rel=0.2)
