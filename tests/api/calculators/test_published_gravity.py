"""Gravity and fermentation over HTTP, against figures of others; sources in tests/reference/gravity/SOURCES.md."""

import math

import pytest

from tests.science.published import csv_rows, markdown_rows

POUND, GALLON = 0.45359237, 3.785411784
FACTS = {row["quantity"]: row["value"] for row in csv_rows("gravity/sugar_facts.csv")}
WATER = {int(row["t_C"]): row for row in csv_rows("gravity/water_density.csv")[1:-1]}


def test_scales_against_the_crc_handbook(calculate):
    """CRC Handbook, 102nd ed., concentrative properties of aqueous sucrose: density to 0.1 kg/m3."""
    rows = [row for row in csv_rows("gravity/sucrose_density.csv") if row["rho20_CRC_g_cm3"]]
    rows = [row for row in rows if float(row["mass_percent"]) <= 40]
    assert len(rows) > 20
    scales = calculate("gravity/scales", plato=[float(row["mass_percent"]) for row in rows])
    published = [1000 * float(row["rho20_CRC_g_cm3"]) for row in rows]
    assert scales["density_kg_per_m3"] == pytest.approx(published, abs=0.11)


def test_scales_against_a_wine_laboratory_table(calculate):
    """Zoecklein et al. 1995, Wine Analysis and Production, table I-1: specific gravity 20/20 in air."""
    rows = [row for row in csv_rows("gravity/sucrose_density.csv") if row["sg_20_20_Zoecklein_tableI1"]]
    assert rows
    for row in rows:
        scales = calculate("gravity/scales", plato=float(row["mass_percent"]))
        # In air a gravity g reads g + 0.0012 (g - 1).
        in_air = scales["sg"] + 0.0012 * (scales["sg"] - 1.0)
        assert in_air == pytest.approx(float(row["sg_20_20_Zoecklein_tableI1"]), abs=1.2e-4)


def test_hydrometer_against_the_worked_values(calculate):
    """hydrometer_correction.md: sucrose solution by ICUMSA, glass by ISO 1768."""
    for row in markdown_rows("gravity/hydrometer_correction.md", "reading S"):
        given = {"reading_sg": float(row["reading S"]), "sample_c": float(row["t C"])}
        found = calculate("gravity/hydrometer", **given, calibration_c=float(row["t0 C"]))
        assert found["calibration_scale_sg"] == pytest.approx(float(row["full (sucrose solution + glass)"]), abs=6e-6)
        assert found["correction_sg"] == pytest.approx(found["sg"] - given["reading_sg"], abs=1e-12)
    # Aguilera, Wright & Bean 2008: 370 parts in a million in use, and no less.
    sure = calculate(
        "gravity/hydrometer", reading_sg=1.05, sample_c=20, reading_uncertainty_sg=0, thermometer_uncertainty_c=0
    )
    assert sure["uncertainty_sg"] == pytest.approx(370e-6 * sure["sg"], rel=1e-9)


def test_refractometer_against_the_worked_table(calculate):
    """refractometer.md: the additive model, worked beside."""
    for row in markdown_rows("gravity/refractometer.md", "OG"):
        reading = float(row["reading, additive model"])
        found = calculate("gravity/refractometer", original_plato=float(row["OE"]), reading_plato=reading)
        assert found["apparent_extract_plato"] == pytest.approx(float(row["AE"]), abs=0.016)
        assert found["sg"] == pytest.approx(float(row["FG"]), abs=1.2e-4)
        assert found["model_uncertainty_plato"] == 0.2


def test_attenuation_against_the_worked_table(calculate):
    """plato_formulae.md: Balling's relation, as a brewing course prints it, with gravities in air."""
    for row in markdown_rows("gravity/plato_formulae.md", "OG"):
        in_vacuum = [1 + (float(row[name]) - 1) / 1.0012 for name in ("OG", "FG")]
        found = calculate("gravity/attenuation", original_sg=in_vacuum[0], final_sg=in_vacuum[1])
        assert found["abv_percent"] == pytest.approx(float(row["ABV % (Balling)"]), abs=0.003)
        assert found["abw_percent"] == pytest.approx(float(row["ABW %"]), abs=0.002)
        assert found["real_extract_plato"] == pytest.approx(float(row["RE"]), abs=0.003)
        assert found["apparent_attenuation_percent"] == pytest.approx(float(row["apparent att. %"]), abs=0.03)


def test_an_attenuation_over_100_is_explained(calculate):
    found = calculate("gravity/attenuation", original_sg=1.09, final_sg=0.995)
    assert found["apparent_attenuation_percent"] > 100
    assert "no mistake" in found["reading"]
    # common practice, no source
    assert found["abv_linear_percent"] == pytest.approx(131.25 * (1.09 - 0.995))


def test_what_was_added_on_the_way_counts_as_from_the_start(calculate):
    """Mass balance: a batch fed in two steps is the batch that had it all."""
    water = 20.0
    whole = calculate("gravity/wash", volume_l=25, ingredients=[{"kind": "honey", "mass_kg": 7}])
    fed = calculate(
        "gravity/attenuation",
        original_sg=1.0005,
        final_sg=0.998,
        volume_l=water,
        additions=[{"kind": "honey", "mass_kg": 7}],
    )
    alone = calculate("gravity/attenuation", original_sg=fed["equivalent_original_sg"], final_sg=0.998)
    assert fed["abv_percent"] == pytest.approx(alone["abv_percent"], rel=1e-9)
    assert fed["equivalent_original_sg"] == pytest.approx(whole["original_sg"], abs=0.01)


def test_sugar_made_up_to_a_gallon(calculate):
    """sugar_facts.csv: 1 lb made up to 1 US gal gives 1.04618 in air, mass fraction 0.11475."""
    found = calculate("gravity/wash", volume_l="1 gal", ingredients=[{"kind": "sucrose", "mass_kg": "1 lb"}])
    assert found["original_plato"] == pytest.approx(11.475, abs=5e-4)
    in_air = found["original_sg"] + 0.0012 * (found["original_sg"] - 1)
    assert in_air == pytest.approx(float(FACTS["sucrose, 1 lb made up to 1 US gal at 20 C: SG 20/20"]), abs=1e-5)
    assert found["extract_kg"] == pytest.approx(POUND)


def test_sugar_added_to_a_gallon(calculate):
    """sugar_facts.csv: 1 lb added to 1 US gal of water comes to 4.0652 L."""
    made = calculate("gravity/wash", volume_l=4.0652, ingredients=[{"kind": "sucrose", "mass_kg": POUND}])
    found = calculate("gravity/adjust", volume_l=GALLON, sg=1.0, target_sg=made["original_sg"])
    assert found["add_sucrose_kg"] == pytest.approx(POUND, abs=2e-5)
    assert found["final_volume_l"] == pytest.approx(4.0652, abs=1e-4)
    assert found["add_water_l"] == 0.0


def test_inversion_by_molar_masses(calculate):
    """sugar_facts.csv: 1 kg of sucrose takes up 52.63 g of water."""
    found = calculate("gravity/inversion", sucrose_kg=1)
    assert found["water_taken_up_kg"] == pytest.approx(float(FACTS["hydrolysis mass gain sucrose -> invert"]), abs=5e-6)
    assert found["glucose_kg"] == found["fructose_kg"] == pytest.approx(0.526315, abs=1e-5)
    assert found["sucrose_left_kg"] == 0.0
    assert found["mass_gain_percent"] == pytest.approx(5.263, abs=5e-4)


def test_mixing_water_by_its_tabulated_enthalpy(calculate):
    """IAPWS-95: 5 kg at 80 and 15 kg at 10 °C have the enthalpy that the table gives for their mixture."""
    enthalpy = {t: float(row["h_J_kg"]) for t, row in WATER.items()}
    mixed = (5 * enthalpy[80] + 15 * enthalpy[10]) / 20
    expected = 27 + (mixed - enthalpy[27]) / (enthalpy[28] - enthalpy[27])
    parts = [{"mass_kg": 5, "temperature_c": 80}, {"mass_kg": 15, "temperature_c": 10}]
    found = calculate("fermentation/pitch-mix", parts=parts)
    assert found["temperature_c"] == pytest.approx(expected, abs=0.003)
    assert found["add_water_l"] is None
    wanted = calculate("fermentation/pitch-mix", parts=parts[:1], target_c=found["temperature_c"], water_c=10)
    assert wanted["add_water_kg"] == pytest.approx(15, abs=1e-6)


def logistic(hours):
    """The plain logistic curve, the symmetrical case of Richards 1959, J. Exp. Bot. 10:290."""
    return 1.010 + 0.050 / (1 + math.exp(0.09 * (hours - 45)))


def test_a_logistic_ferment_is_found_again(calculate):
    readings = [{"at_h": hours, "sg": logistic(hours)} for hours in range(0, 97, 8)]
    found = calculate("fermentation/progress", readings=readings, reading_uncertainty_sg=0.0003)
    end = found["projected_final_sg"]
    assert end["low"] < 1.010 < end["high"]
    assert end["estimate"] == pytest.approx(1.010, abs=0.002)
    assert found["fastest_drop_sg_per_day"] == pytest.approx(24 * 0.05 * 0.09 / 4, rel=0.03)
    assert found["state"] == "slowing"
    assert len(found["points"]) == 60


@pytest.mark.parametrize("count", [1, 2, 3])
def test_too_few_readings_make_no_curve(calculate, count):
    readings = [{"at_h": 24 * day, "sg": 1.060 - 0.01 * day} for day in range(count)]
    found = calculate("fermentation/progress", readings=readings)
    assert found["curve"] is None
    assert found["projected_final_sg"] is None
    assert found["points"] == []
    assert found["reading"]


def test_a_stall_is_called_one(calculate):
    readings = [{"at_h": 12 * n, "sg": max(1.080 - 0.006 * n, 1.038)} for n in range(16)]
    found = calculate("fermentation/progress", readings=readings)
    assert found["state"] == "stalled"
    assert "stuck" in found["reading"]
