"""Refractometer readings with alcohol in the sample.

The tables and their sources stand in tests/reference/gravity/refractometer.md.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import refractometer
from service.science.errors import InputError
from service.science.refractometer import MODEL_UNCERTAINTY_PLATO, expected_reading, read_refractometer
from tests.science.published import markdown_rows

SUCROSE = markdown_rows("gravity/refractometer.md", "mass %")
ETHANOL = markdown_rows("gravity/refractometer.md", "ethanol ABW %")
MODEL = markdown_rows("gravity/refractometer.md", "OG")


def index(brix):
    return refractometer._index(brix) + 1.35


@pytest.mark.parametrize("row", SUCROSE, ids=lambda row: row["mass %"])
def test_index_of_sucrose(row):
    ours = index(float(row["mass %"]))
    assert ours == pytest.approx(float(row["nD20 from inverse of the ICUMSA fit"]), abs=6e-6)
    # CRC Handbook, 102nd ed.: four decimals, and older values at high strength.
    assert ours == pytest.approx(float(row["nD20 CRC"]), abs=1.2e-4)
    if row["nD20 OIV table II (French arrete annex IV)"]:
        assert ours == pytest.approx(float(row["nD20 OIV table II (French arrete annex IV)"]), abs=4e-5)


@pytest.mark.parametrize(
    "row", [row for row in ETHANOL if float(row["ethanol ABW %"]) <= 20], ids=lambda row: row["ethanol ABW %"]
)
def test_index_of_ethanol(row):
    # CRC Handbook, 102nd ed., four decimals; the fit's stated residual is 0.00005.
    abw = float(row["ethanol ABW %"])
    ours = index(0.0) + np.polynomial.Polynomial(refractometer._ETHANOL)(abw)
    assert ours == pytest.approx(float(row["nD20 (CRC)"]), abs=1.1e-4)


@pytest.mark.parametrize("row", MODEL, ids=lambda row: f"{row['OG']}-{row['FG']}")
def test_the_model_against_its_worked_table(row):
    original, apparent = float(row["OE"]), float(row["AE"])
    reading = float(row["reading, additive model"])
    assert expected_reading(original, apparent) == pytest.approx(reading, abs=0.009)  # OE and AE have two decimals
    ours = read_refractometer(original, reading)
    assert ours.apparent_extract_plato == pytest.approx(apparent, abs=0.016)
    assert ours.real_extract_plato == pytest.approx(float(row["RE"]), abs=0.012)
    # Gravities there are in air; the scale in vacuum differs by less than 0.0001.
    assert ours.sg == pytest.approx(float(row["FG"]), abs=1.2e-4)
    # The other model, from specific refractions, stays inside the stated model uncertainty.
    other = read_refractometer(original, float(row["reading, Lorentz-Lorenz model"]))
    allowed = MODEL_UNCERTAINTY_PLATO / 0.58 * 0.0040
    assert abs(other.sg - ours.sg) < allowed


def test_stated_sensitivities():
    # refractometer.md: 0.0062..0.0066 in gravity and -0.82..-0.89 % vol for each degree Brix.
    low, high = read_refractometer(12.38, 5.93), read_refractometer(12.38, 6.13)
    assert 0.0060 < (high.sg - low.sg) / 0.2 < 0.0068
    assert -0.92 < (high.abv_percent - low.abv_percent) / 0.2 < -0.80
    exact = read_refractometer(12.38, 6.03, reading_uncertainty_plato=0.0)
    assert exact.model_uncertainty_plato == 0.2
    assert exact.uncertainty_sg > 0.0012


@given(st.floats(2, 35), st.floats(0, 1))
@settings(max_examples=100)
def test_reading_round_trips(original, share):
    apparent = original * (1 - share)
    reading = expected_reading(original, apparent)
    assert read_refractometer(original, reading).apparent_extract_plato == pytest.approx(apparent, rel=1e-8, abs=1e-7)
    with_factor = read_refractometer(original, 1.04 * reading, 1.04)
    assert with_factor.apparent_extract_plato == pytest.approx(apparent, rel=1e-8, abs=1e-7)


def test_columns_give_what_numbers_give():
    readings = np.array([5.0, 6.0, 12.0])
    whole = read_refractometer(12.38, readings)
    for n, reading in enumerate(readings.tolist()):
        one = read_refractometer(12.38, reading)
        for name in ("sg", "abv_percent", "uncertainty_sg", "abv_uncertainty_percent"):
            assert type(getattr(one, name)) is float
            assert getattr(whole, name)[n] == pytest.approx(getattr(one, name), rel=1e-9)


@pytest.mark.parametrize(
    ("arguments", "field", "says"),
    [
        ((12.0, 12.5), "reading_plato", "above the original"),
        ((12.0, 1.0), "reading_plato", "all of it fermented"),
        ((50.0, 20.0), "original_plato", "between"),
        ((12.0, 6.0, 2.0), "instrument_factor", "between"),
        ((12.0, float("inf")), "reading_plato", "between"),
    ],
)
def test_impossible_readings_are_refused(arguments, field, says):
    with pytest.raises(InputError, match=says) as caught:
        read_refractometer(*arguments)
    assert caught.value.field == field
