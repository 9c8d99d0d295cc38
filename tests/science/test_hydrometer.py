"""Hydrometer readings corrected for temperature.

The worked values and their sources stand in tests/reference/gravity/hydrometer_correction.md.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import sugar
from service.science.errors import InputError
from service.science.hydrometer import GLASS_EXPANSION, correct_hydrometer
from tests.science.published import csv_rows, markdown_rows

WORKED = markdown_rows("gravity/hydrometer_correction.md", "reading S")


@pytest.mark.parametrize("row", WORKED, ids=lambda row: f"{row['reading S']} at {row['t C']}")
def test_worked_values(row):
    ours = correct_hydrometer(float(row["reading S"]), float(row["t C"]), float(row["t0 C"]))
    assert ours.calibration_scale_sg == pytest.approx(float(row["full (sucrose solution + glass)"]), abs=6e-6)
    assert sugar.plato_from_sg(ours.sg) == pytest.approx(float(row["mass %"]), abs=6e-4)
    assert ours.correction_sg == pytest.approx(ours.sg - float(row["reading S"]), abs=1e-12)


def test_the_sixty_fahrenheit_scale_is_moved_to_twenty_celsius():
    # hydrometer_correction.md, example 2: 1.05279 on the 60/60 scale is 1.05254 on 20/20.
    ours = correct_hydrometer(1.050, 26.67, 15.56)
    assert ours.sg == pytest.approx(1.05254, abs=6e-6)
    # The same page: 12 % sucrose is 1.04855 on 60/60 °F and 1.04833 on 20/20.
    at_15 = correct_hydrometer(1.04855, 15.5556, 15.5556)
    assert at_15.sg == pytest.approx(1.04833, abs=1.5e-5)


def test_glass_coefficient_is_the_published_one():
    published = {row["instrument_or_limit"]: row for row in csv_rows("alcoholometry/instrument_tolerances.csv")}
    assert float(published["glass hydrometer cubic expansion, conventional"]["value"]) == GLASS_EXPANSION


@given(st.floats(0.99, 1.2), st.floats(0, 60))
@settings(max_examples=100)
def test_at_its_own_temperature_an_instrument_is_right(reading, temperature):
    ours = correct_hydrometer(reading, temperature, temperature)
    assert ours.calibration_scale_sg == pytest.approx(reading, rel=1e-9)


@given(st.floats(1.0, 1.15), st.floats(5, 58))
@settings(max_examples=50)
def test_warmer_samples_are_heavier_than_they_read(reading, temperature):
    assert correct_hydrometer(reading, temperature + 2).sg > correct_hydrometer(reading, temperature).sg


def test_uncertainty_grows_with_each_of_its_terms():
    usual = correct_hydrometer(1.050, 30.0)
    # Aguilera, Wright, Bean (2008): 370 parts in a million in use; the page's sensitivity at 30 °C: 0.00033 per K.
    expected = np.sqrt(0.001**2 + (0.5 * 0.00033) ** 2 + (370e-6 * usual.sg) ** 2)
    assert usual.uncertainty_sg == pytest.approx(expected, rel=0.02)
    careful = correct_hydrometer(1.050, 30.0, reading_uncertainty_sg=0.0, thermometer_uncertainty_c=0.0)
    assert careful.uncertainty_sg == pytest.approx(370e-6 * usual.sg, rel=1e-9)


def test_columns_give_what_numbers_give():
    samples = np.array([10.0, 20.0, 30.0])
    whole = correct_hydrometer(1.050, samples)
    for n, sample in enumerate(samples.tolist()):
        one = correct_hydrometer(1.050, sample)
        assert type(one.sg) is float
        assert whole.sg[n] == pytest.approx(one.sg, rel=1e-12)
        assert whole.uncertainty_sg[n] == pytest.approx(one.uncertainty_sg, rel=1e-9)


def test_a_column_of_instruments_on_one_sample():
    scales = np.array([15.56, 20.0])
    whole = correct_hydrometer(1.050, 25.0, scales)
    for n, scale in enumerate(scales.tolist()):
        assert whole.sg[n] == pytest.approx(correct_hydrometer(1.050, 25.0, scale).sg, rel=1e-12)
    thermometers = correct_hydrometer(1.050, np.array([20.0, 25.0]), 15.56)
    assert thermometers.sg[1] == pytest.approx(whole.sg[0], rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ((1.050, 60.5), "sample_c"),
        ((1.050, -1.0), "sample_c"),
        ((1.050, 20.0, 99.0), "calibration_c"),
        ((0.92, 20.0), "reading_sg"),
        ((1.40, 20.0), "reading_sg"),
        ((float("nan"), 20.0), "reading_sg"),
    ],
)
def test_what_cannot_be_read_is_refused(arguments, field):
    with pytest.raises(InputError) as caught:
        correct_hydrometer(*arguments)
    assert caught.value.field == field
