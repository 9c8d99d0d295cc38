"""Alcoholmeter and density to strength, and matching two spirits.

Sources of the figures stand in tests/reference/alcoholometry/SOURCES.md.
"""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import ethanol_water as ew
from service.science.errors import InputError
from service.science.strength import Sample, match, strength
from tests.science.published import csv_rows

REGULATION = csv_rows("alcoholometry/ttb_table1_table7_points.csv")
TABLE_1 = [row for row in REGULATION if row["quantity"] == "table1_true_proof"]


def celsius(row):
    return (float(row["temperature_F"]) - 32.0) / 1.8


@pytest.mark.parametrize("row", TABLE_1, ids=lambda row: row["hydrometer_indication_or_true_proof"])
def test_us_proof_against_the_regulation(row):
    # 27 CFR 30.61: tables of 1913, printed to 0.1 proof; without the glass term the first row would be missed.
    reading = 0.5 * float(row["hydrometer_indication_or_true_proof"])
    ours = strength(reading_abv_percent=reading, sample_c=celsius(row), calibration_c=ew.SIXTY_FAHRENHEIT_C)
    assert ours.us_proof == pytest.approx(float(row["formula_glass_25e-6"]), abs=6e-4)
    assert ours.us_proof == pytest.approx(float(row["published"]), abs=0.05)


def test_a_density_leads_to_its_own_point():
    rows = [row for row in csv_rows("alcoholometry/density_points.csv") if row["kind"] == "formula"]
    rows = [row for row in rows if 1.0 < float(row["abw_percent"]) < 99.0][::7]
    density = np.array([float(row["rho_formula_kg_m3"]) for row in rows])
    sample = np.array([float(row["t_C"]) for row in rows])
    ours = strength(density_kg_per_m3=density, sample_c=sample)
    np.testing.assert_allclose(ours.abw_percent, [float(row["abw_percent"]) for row in rows], atol=1e-3)
    np.testing.assert_allclose(ours.abv_percent, [float(row["abv20_percent"]) for row in rows], atol=1e-3)


@given(st.floats(1, 99), st.floats(0, 40))
@settings(max_examples=100)
def test_density_round_trips(abv, sample):
    density = ew.density(ew.mass_fraction_from_abv(abv), sample)
    assert strength(density_kg_per_m3=density, sample_c=sample).abv_percent == pytest.approx(abv, rel=1e-9)


@given(st.floats(0, 100))
@settings(max_examples=50)
def test_at_its_own_temperature_a_scale_is_right(abv):
    assert strength(reading_abv_percent=abv, sample_c=20.0).abv_percent == pytest.approx(abv, rel=1e-9, abs=1e-9)
    at_60f = strength(reading_abv_percent=abv, sample_c=ew.SIXTY_FAHRENHEIT_C, calibration_c=ew.SIXTY_FAHRENHEIT_C)
    assert at_60f.us_proof == pytest.approx(2.0 * abv, rel=1e-9, abs=1e-9)


def test_a_warm_spirit_reads_high():
    warm, cold = strength(reading_abv_percent=40.0, sample_c=25.0), strength(reading_abv_percent=40.0, sample_c=10.0)
    assert warm.abv_percent < 38.5
    assert cold.abv_percent > 43.5


def test_uncertainty_has_every_term():
    # By hand at 40 % vol, 20 °C: 0.5 from the scale; 0.36 % vol per K; 0.054 kg/m3 of model at 1.6 kg/m3 per % vol.
    ours = strength(reading_abv_percent=40.0, sample_c=20.0)
    only = {
        "reading": strength(reading_abv_percent=40.0, sample_c=20.0, thermometer_uncertainty_c=0.0),
        "thermometer": strength(reading_abv_percent=40.0, sample_c=20.0, reading_uncertainty_percent=0.0),
        "model": strength(
            reading_abv_percent=40.0, sample_c=20.0, reading_uncertainty_percent=0.0, thermometer_uncertainty_c=0.0
        ),
    }
    model = only["model"].uncertainty_percent
    slope = ew.abv_from_density(947.0) - ew.abv_from_density(948.0)
    assert model == pytest.approx(0.054 * slope, rel=0.02)
    assert only["reading"].uncertainty_percent == pytest.approx(np.hypot(0.5, model), rel=1e-3)
    warmer = strength(reading_abv_percent=40.0, sample_c=20.5).abv_percent
    colder = strength(reading_abv_percent=40.0, sample_c=19.5).abv_percent
    assert only["thermometer"].uncertainty_percent == pytest.approx(np.hypot((colder - warmer) / 2, model), rel=1e-3)
    squares = sum(each.uncertainty_percent**2 for each in only.values()) - 2 * model**2
    assert ours.uncertainty_percent == pytest.approx(np.sqrt(squares), rel=1e-6)


def test_columns_give_what_numbers_give():
    readings, samples = np.array([40.0, 63.0, 95.0]), np.array([10.0, 20.0, 30.0])
    scales = np.array([20.0, ew.SIXTY_FAHRENHEIT_C, 20.0])
    whole = strength(reading_abv_percent=readings, sample_c=samples, calibration_c=scales)
    for n in range(3):
        one = strength(
            reading_abv_percent=float(readings[n]), sample_c=float(samples[n]), calibration_c=float(scales[n])
        )
        for name in ("abv_percent", "abw_percent", "density_20c_kg_per_m3", "us_proof", "uncertainty_percent"):
            assert type(getattr(one, name)) is float
            assert getattr(whole, name)[n] == pytest.approx(getattr(one, name), rel=1e-9)


@pytest.mark.parametrize(
    ("arguments", "field", "says"),
    [
        (
            {"density_kg_per_m3": 950.0, "sample_c": 20.0, "dissolved_solids_g_per_l": 1.0},
            "dissolved_solids_g_per_l",
            "distil",
        ),
        (
            {"reading_abv_percent": 40.0, "sample_c": 20.0, "dissolved_solids_g_per_l": 5.0},
            "dissolved_solids_g_per_l",
            "distil",
        ),
        ({"reading_abv_percent": 40.0, "sample_c": 41.0}, "sample_c", "between"),
        ({"reading_abv_percent": 10.0, "sample_c": -10.0}, "temperature_c", "freezing"),
        ({"reading_abv_percent": 0.0, "sample_c": 30.0}, "reading_abv_percent", "beyond pure water"),
        ({"reading_abv_percent": 100.0, "sample_c": 5.0}, "reading_abv_percent", "beyond pure"),
        ({"density_kg_per_m3": 1010.0, "sample_c": 20.0}, "density_kg_per_m3", "beyond pure water"),
        ({"sample_c": 20.0}, "reading_abv_percent", "exactly one"),
        ({"reading_abv_percent": float("nan"), "sample_c": 20.0}, "reading_abv_percent", "between"),
    ],
)
def test_what_density_cannot_tell_is_refused(arguments, field, says):
    with pytest.raises(InputError, match=rf"(?i){says}") as caught:
        strength(**arguments)
    assert caught.value.field == field


@pytest.mark.parametrize("calibration", [20.0, 15.56])
def test_a_refused_reading_is_told_what_can_be_read(calibration):
    sample = np.array([20.0, 30.0])
    with pytest.raises(InputError) as caught:
        strength(reading_abv_percent=np.array([40.0, 0.5]), sample_c=sample, calibration_c=calibration)
    lowest = float(re.search(r"read (\d+\.\d+) to 100\.00", caught.value.detail)[1])
    assert caught.value.index == 1
    assert strength(reading_abv_percent=lowest + 0.01, sample_c=30.0, calibration_c=calibration).abv_percent < 0.02
    with pytest.raises(InputError, match=f"{lowest:.2f}"):
        strength(reading_abv_percent=lowest - 0.01, sample_c=30.0, calibration_c=calibration)


def test_equal_readings_do_not_show_equal_strengths():
    coarse = match(Sample(40.0, 20.0, 0.5, 0.5), Sample(40.0, 20.0, 0.5, 0.5), tolerance_percent=0.5)
    assert coarse.difference_percent == 0.0
    assert coarse.could_differ_by_percent > 0.8
    assert not coarse.shown_to_match
    assert "can't show a match" in coarse.reading
    fine = match(Sample(40.0, 20.0, 0.05, 0.1), Sample(40.0, 20.0, 0.05, 0.1), tolerance_percent=0.5)
    assert fine.shown_to_match
    assert fine.could_differ_by_percent > 0.05
    assert "no closer" in fine.reading


def test_two_temperatures_are_two_strengths():
    apart = match(Sample(40.0, 20.0, 0.1, 0.1), Sample(40.0, 25.0, 0.1, 0.1))
    assert apart.difference_percent == pytest.approx(
        40.0 - strength(reading_abv_percent=40.0, sample_c=25.0).abv_percent, abs=1e-9
    )
    assert not apart.shown_to_match
    assert "Bring the stronger one down" in apart.reading
    # Rectangular tolerances, coverage factor 2 (JCGM 100:2008, 4.3.7 and 6.2).
    spread = np.hypot(apart.a.uncertainty_percent, apart.b.uncertainty_percent)
    assert apart.could_differ_by_percent == pytest.approx(apart.difference_percent + 2 * spread)
    with pytest.raises(InputError) as caught:
        match(Sample(40.0, 20.0), Sample(40.0, 50.0))
    assert caught.value.field == "b.sample_c"


def test_a_tiny_tolerance_is_written_out():
    words = match(Sample(40.0, 20.0), Sample(40.0, 20.0), tolerance_percent=1.5e-6).reading
    assert "These instruments can't show a match within 0.0000015 % vol" in words
