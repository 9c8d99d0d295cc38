"""Water and sucrose densities, and the scales on them.

Sources of the figures stand in tests/reference/gravity/SOURCES.md.
"""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import sugar
from service.science.errors import InputError
from tests.science.published import REFERENCE, csv_rows, markdown_rows

AIR = 1.2  # kg/m3, the convention under which tables of apparent gravity were made
SUCROSE = csv_rows("gravity/sucrose_density.csv")
WATER = csv_rows("gravity/water_density.csv")


def sg_in_air(density):
    return (density - AIR) / (sugar.WATER_20C - AIR)


def density_from_sg_in_air(sg):
    return sg * (sugar.WATER_20C - AIR) + AIR


@pytest.mark.parametrize("row", SUCROSE, ids=lambda row: row["mass_percent"])
def test_sucrose_density_is_the_icumsa_polynomial(row):
    density = sugar.sucrose_density(float(row["mass_percent"]))
    assert density == pytest.approx(float(row["rho20_ICUMSA_kg_m3"]), abs=6e-4)
    assert sugar.sg_from_plato(float(row["mass_percent"])) == pytest.approx(
        float(row["sg_20_20_vacuum_ICUMSA"]), abs=6e-6
    )
    assert sg_in_air(density) == pytest.approx(float(row["sg_20_20_air_ICUMSA"]), abs=6e-6)


@pytest.mark.parametrize("row", [row for row in SUCROSE if row["rho20_CRC_g_cm3"]], ids=lambda row: row["mass_percent"])
def test_sucrose_density_against_the_crc_handbook(row):
    # CRC Handbook, 102nd ed.: four decimals, and older values above 50 %. See "fit" in sucrose_density_icumsa.json.
    percent = float(row["mass_percent"])
    allowed = 0.10 if percent <= 40 else 0.16 if percent <= 50 else 0.29
    assert sugar.sucrose_density(percent) == pytest.approx(1000 * float(row["rho20_CRC_g_cm3"]), abs=allowed)


@pytest.mark.parametrize(
    "row", [row for row in SUCROSE if row["sg_20_20_Zoecklein_tableI1"]], ids=lambda row: row["mass_percent"]
)
def test_specific_gravity_against_zoecklein_table(row):
    # Zoecklein et al., Wine Analysis and Production (1995), appendix I table I-1; it lies between air and vacuum.
    published = float(row["sg_20_20_Zoecklein_tableI1"])
    assert sugar.sg_from_plato(float(row["mass_percent"])) == pytest.approx(published, abs=6e-5)
    assert sugar.plato_from_sg(published) == pytest.approx(float(row["mass_percent"]), abs=0.015)


def test_coefficients_are_the_published_ones():
    published = json.loads((REFERENCE / "gravity/sucrose_density_icumsa.json").read_text(encoding="utf-8"))
    ours = [list(row[: len(theirs)]) for row, theirs in zip(sugar._SUCROSE, published["b"], strict=True)]
    assert ours == published["b"]


@pytest.mark.parametrize("row", WATER, ids=lambda row: row["t_C"])
def test_water_density(row):
    temperature = min(max(float(row["t_C"]), 0.01), 99.97)  # where the notes say the end rows were evaluated
    density = sugar.water_density(temperature)
    if row["rho_rational_ICUMSA_water_kg_m3"]:
        assert density == pytest.approx(float(row["rho_rational_ICUMSA_water_kg_m3"]), abs=1e-5)
    # IAPWS-95, CoolProp 8.0.0.
    assert density == pytest.approx(float(row["rho_IAPWS95_CoolProp_kg_m3"]), abs=0.007)


def test_plato_against_the_table_of_formulae():
    rows = [row for row in markdown_rows("gravity/plato_formulae.md", "SG 20/20") if row["SG 20/20"][0] == "1"]
    sg = np.array([float(row["SG 20/20"]) for row in rows])
    published = np.array([float(row["deg P (ICUMSA, air)"]) for row in rows])
    ours = sugar.plato_from_density(density_from_sg_in_air(sg))
    np.testing.assert_allclose(ours, published, atol=6e-5)
    # The ASBC cubic, an independent fit, is within 0.012 degrees Plato up to 1.120.
    cubic = ((135.997 * sg - 630.272) * sg + 1111.14) * sg - 616.868
    np.testing.assert_allclose(cubic - ours, [float(row["ASBC cubic"]) for row in rows], atol=1e-4)
    np.testing.assert_allclose(ours, cubic, atol=0.012)


@pytest.mark.parametrize(
    ("grams", "litres", "sg"),
    # sugar_facts.csv, "sucrose ... made up to ...": derived from the ICUMSA density, as gravity in air.
    [(453.59237, 3.785411784, 1.04618), (453.59237, 4.54609, 1.03848), (100.0, 1.0, 1.03857)],
)
def test_sugar_made_up_to_a_volume(grams, litres, sg):
    plato = sugar.plato_from_extract(grams / litres)
    assert sg_in_air(sugar.sucrose_density(plato)) == pytest.approx(sg, abs=6e-6)


PLATO = st.floats(sugar.PLATO_LOW, sugar.PLATO_HIGH)


@given(PLATO)
@settings(max_examples=200)
def test_scales_round_trip(plato):
    assert sugar.plato_from_sg(sugar.sg_from_plato(plato)) == pytest.approx(plato, rel=1e-9, abs=1e-11)
    extract = 0.01 * plato * sugar.sucrose_density(plato)
    assert sugar.plato_from_extract(extract) == pytest.approx(plato, rel=1e-9, abs=1e-11)


@given(PLATO, st.floats(0, 100))
@settings(max_examples=200)
def test_density_round_trips_at_any_temperature(plato, temperature):
    density = sugar.sucrose_density(plato, temperature)
    assert sugar.plato_from_density(density, temperature) == pytest.approx(plato, rel=1e-9, abs=1e-11)


def test_arrays_give_what_numbers_give():
    plato = np.linspace(sugar.PLATO_LOW, sugar.PLATO_HIGH, 57)
    temperature = np.linspace(0.0, 100.0, 57)
    density = sugar.sucrose_density(plato, temperature)
    assert isinstance(density, np.ndarray)
    one_by_one = [sugar.sucrose_density(p, t) for p, t in zip(plato.tolist(), temperature.tolist(), strict=True)]
    np.testing.assert_allclose(density, one_by_one, rtol=1e-15)
    np.testing.assert_allclose(sugar.plato_from_density(density, temperature), plato, rtol=1e-9)
    assert type(sugar.plato_from_sg(1)) is float
    with pytest.raises(InputError) as caught:
        sugar.plato_from_sg(np.array([1.0, 1.2, 1.9]))
    assert caught.value.index == 2


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), 0.9, 1.36, "one", None])
def test_what_is_out_of_range_is_refused_with_the_range(bad):
    with pytest.raises(InputError, match="sg: must be"):
        sugar.plato_from_sg(bad)


def test_density_beyond_the_table_is_refused():
    with pytest.raises(InputError, match="density_kg_per_m3: must be between"):
        sugar.plato_from_density(1360.0, 20.0)
    with pytest.raises(InputError, match="temperature_c"):
        sugar.water_density(-0.1)
    with pytest.raises(InputError, match="equal length"):
        sugar.sucrose_density(np.zeros(2), np.zeros(3))
