"""Ethanol-water densities and strengths.

Sources of the figures stand in tests/reference/alcoholometry/SOURCES.md.
"""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import ethanol_water as ew
from service.science.errors import InputError
from tests.science.published import REFERENCE, csv_rows

DENSITY = csv_rows("alcoholometry/density_points.csv")
TABLE_6 = csv_rows("alcoholometry/ttb_table6.csv")


def of_kind(kind, words=""):
    return [row for row in DENSITY if row["kind"] == kind and words in row["source"]]


def columns(rows, *names):
    return [np.array([float(row[name]) for row in rows]) for name in names]


def temperatures(rows):
    # The tables write 60 °F as 15.5556.
    return np.array([ew.SIXTY_FAHRENHEIT_C if row["t_C"] == "15.5556" else float(row["t_C"]) for row in rows])


def test_coefficients_are_the_published_ones():
    published = json.loads((REFERENCE / "alcoholometry/oiml_r22_coefficients.json").read_text(encoding="utf-8"))
    assert list(ew._A) == published["A"]
    assert list(ew._B) == published["B"]
    assert [list(row) for row in ew._C] == published["C"]
    checks = published["verification"]
    assert ew.density(0.0) == pytest.approx(checks["rho(0,20)"], abs=1e-9)
    assert ew.density(1.0) == pytest.approx(checks["rho(1,20)"], abs=1e-9)
    assert ew.density(0.0, 15.0) == pytest.approx(checks["rho(0,15)"], abs=1e-9)
    assert ew.density(0.0, ew.SIXTY_FAHRENHEIT_C) == pytest.approx(checks["rho(0,60F)"], abs=1e-9)
    assert ew.density(1.0, ew.SIXTY_FAHRENHEIT_C) == pytest.approx(checks["rho(1,60F)"], abs=1e-9)


def test_density_at_the_computed_points():
    # Another program's evaluation of OIML R 22, to the table's four decimals; strengths are written to 1e-5 %.
    rows = of_kind("formula")
    abw, abv, rho = columns(rows, "abw_percent", "abv20_percent", "rho_formula_kg_m3")
    ours = ew.density(0.01 * abw, temperatures(rows))
    np.testing.assert_allclose(ours, rho, atol=2e-4)
    np.testing.assert_allclose(ew.abv_from_mass_fraction(0.01 * abw), abv, atol=2e-5)
    np.testing.assert_allclose(ew.mass_fraction_from_abv(abv), 0.01 * abw, atol=2e-7)
    mixed = (abw > 0.0) & (abw < 100.0)  # the last digit of a pure liquid may lie beyond it
    np.testing.assert_allclose(ew.abv_from_density(rho[mixed], temperatures(rows)[mixed]), abv[mixed], atol=3e-4)


@pytest.mark.parametrize(
    ("kind", "words", "allowed"),
    [
        # US Bureau of Standards table as printed by Simmonds (1919), 45..85 % mass, 10..40 °C, old litre.
        ("published", "Bureau of Standards", 0.095),
        # CRC Handbook, 102nd ed.: four decimals; its rows 76..82 % are 0.13..0.27 high.
        ("published", "CRC", 0.28),
        # IAPWS-95 water (CoolProp): the formula's water term is 0.003..0.007 lower.
        ("library", "IAPWS", 0.0075),
        # Pure ethanol by an equation of state that disagrees with the legal reference by 0.18.
        ("library", "HEOS Ethanol", 0.19),
    ],
)
def test_density_against_others(kind, words, allowed):
    rows = of_kind(kind, words)
    abw, other = columns(rows, "abw_percent", "rho_other_kg_m3")
    if "Bureau" in words:
        other = other / 1.000028
    assert len(rows) >= 6
    np.testing.assert_allclose(ew.density(0.01 * abw, temperatures(rows)), other, atol=allowed)


def test_ethanol_gravity_at_60_f_against_the_regulation():
    # 27 CFR 30.11: specific gravity 0.7939 in vacuum at 60/60 °F; OIML R 22 gives 0.79382.
    ratio = ew.density(1.0, ew.SIXTY_FAHRENHEIT_C) / ew.density(0.0, ew.SIXTY_FAHRENHEIT_C)
    assert ratio == pytest.approx(0.7939, abs=1e-4)
    assert ratio == pytest.approx(0.79382, abs=5e-6)


def water_parts(proof):
    """Parts of water at 60 °F in 100 parts of spirit, as in 27 CFR 30.66, Table 6."""
    at_60f = ew.SIXTY_FAHRENHEIT_C
    fraction = ew.mass_fraction_from_us_proof(proof)
    spirit = 100.0 * ew.density(fraction, at_60f)
    return (spirit - 0.5 * proof * ew.density(1.0, at_60f)) / ew.density(0.0, at_60f)


@pytest.mark.parametrize("row", TABLE_6, ids=lambda row: row["proof"])
def test_us_proof_table_6(row):
    proof = float(row["proof"])
    fraction = ew.mass_fraction_from_us_proof(proof)
    ratio = ew.density(fraction, ew.SIXTY_FAHRENHEIT_C) / ew.density(0.0, ew.SIXTY_FAHRENHEIT_C)
    assert 100 * fraction == pytest.approx(float(row["abw_percent_formula"]), abs=6e-4)
    assert water_parts(proof) == pytest.approx(float(row["water_parts_formula"]), abs=6e-4)
    assert ratio == pytest.approx(float(row["sg_vacuum_60F_60F_formula"]), abs=6e-6)
    # The rest is what the regulation and the pharmacopoeia print; rows without those cells aren't confirmed.
    if row["water_parts_published"]:
        # 27 CFR 186.66, now 30.66: NBS data of 1913, truncated to two decimals.
        assert water_parts(proof) == pytest.approx(float(row["water_parts_published"]), abs=0.0075)
    if row["abw_percent_published"]:
        assert 100 * fraction == pytest.approx(float(row["abw_percent_published"]), abs=0.006)
    if row["sg_air_60F_60F_published"]:
        in_air = (ratio * 999.0102 - 1.2) / (999.0102 - 1.2)
        assert in_air == pytest.approx(float(row["sg_air_60F_60F_published"]), abs=1e-4)


def test_proofing_examples_of_the_regulation():
    # 27 CFR 186.66 / 30.66. It rounds the ratio of 191 to 188 proof to 1.01; from 112 to 100 proof it doesn't.
    examples = {row["id"]: float(row["water_L"]) for row in csv_rows("alcoholometry/dilution_examples.csv")}
    assert 1.12 * water_parts(100.0) - water_parts(112.0) == pytest.approx(examples["P02"], abs=0.01)
    assert 191 / 188 * water_parts(188.0) - water_parts(191.0) == pytest.approx(examples["P01"], abs=0.05)


@pytest.mark.parametrize("row", csv_rows("alcoholometry/freezing.csv"), ids=lambda row: row["abw_percent"])
def test_freezing_points(row):
    # CRC Handbook, 102nd ed.
    fraction, freezes = 0.01 * float(row["abw_percent"]), -float(row["freezing_depression_c"])
    assert ew.lowest_liquid_mass_fraction(freezes) == pytest.approx(fraction, abs=1e-9)
    if freezes > -19.9:
        assert ew.density(fraction, freezes + 0.01) > 900.0
        with pytest.raises(InputError, match="freezing point"):
            ew.density(fraction, freezes - 0.01)


def test_frozen_mixtures_are_refused_by_density_too():
    with pytest.raises(InputError, match="freezing point"):
        ew.abv_from_density(990.0, -10.0)
    with pytest.raises(InputError) as caught:
        ew.density(np.array([0.4, 0.1]), np.array([-10.0, -10.0]))
    assert caught.value.index == 1
    assert ew.density(0.1, np.array([-4.0, 20.0])).tolist() == [ew.density(0.1, -4.0), ew.density(0.1, 20.0)]


@given(st.floats(0, 1), st.floats(0, 40))
@settings(max_examples=200)
def test_density_round_trips(fraction, temperature):
    rho = ew.density(fraction, temperature)
    assert ew.mass_fraction_from_density(rho, temperature) == pytest.approx(fraction, rel=1e-9, abs=1e-11)


@given(st.floats(0.3, 1), st.floats(-20, 0))
@settings(max_examples=100)
def test_density_round_trips_in_the_cold(fraction, temperature):
    rho = ew.density(fraction, temperature)
    assert ew.mass_fraction_from_density(rho, temperature) == pytest.approx(fraction, rel=1e-9)


@given(st.floats(0, 100))
@settings(max_examples=200)
def test_strengths_round_trip(abv):
    assert ew.abv_from_mass_fraction(ew.mass_fraction_from_abv(abv)) == pytest.approx(abv, rel=1e-9, abs=1e-10)
    proof = 2.0 * abv
    assert ew.us_proof_from_mass_fraction(ew.mass_fraction_from_us_proof(proof)) == pytest.approx(
        proof, rel=1e-9, abs=1e-10
    )


def test_long_arrays_give_what_numbers_give():
    rng = np.random.default_rng(7)
    fraction, temperature = rng.uniform(0, 1, 20_000), rng.uniform(0, 40, 20_000)
    rho = ew.density(fraction, temperature)
    solved = ew.abv_from_density(rho, temperature)
    np.testing.assert_allclose(solved, ew.abv_from_mass_fraction(fraction), atol=1e-9)
    for n in range(0, 20_000, 997):
        assert ew.abv_from_density(float(rho[n]), float(temperature[n])) == pytest.approx(solved[n], abs=1e-9)
    assert type(ew.abv_from_density(950)) is float
    rho[12_345] = 1001.0
    with pytest.raises(InputError) as caught:
        ew.abv_from_density(rho, temperature)
    assert caught.value.index == 12_345


@pytest.mark.parametrize(
    ("function", "arguments", "field"),
    [
        (ew.density, (1.01,), "mass_fraction"),
        (ew.density, (float("nan"),), "mass_fraction"),
        (ew.density, (0.5, 40.1), "temperature_c"),
        (ew.density, (0.5, -20.1), "temperature_c"),
        (ew.abv_from_density, (788.0,), "density_kg_per_m3"),
        (ew.abv_from_density, (998.3,), "density_kg_per_m3"),
        (ew.mass_fraction_from_abv, (100.1,), "abv_percent"),
        (ew.mass_fraction_from_us_proof, (200.5,), "us_proof"),
    ],
)
def test_what_is_out_of_range_is_refused_by_name(function, arguments, field):
    with pytest.raises(InputError, match="between") as caught:
        function(*arguments)
    assert caught.value.field == field
