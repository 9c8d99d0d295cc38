"""What else has been published and bears on the formulae; and what no calculator rests on, by name.

Sources of the figures stand in tests/reference/gravity/SOURCES.md and tests/reference/alcoholometry/SOURCES.md.
"""

import numpy as np
import pytest

from service.science import ethanol_water as ew
from service.science import gravity, refractometer, strength, sugar, wash
from service.science.fermentables import FERMENTABLES
from service.science.hydrometer import correct_hydrometer
from tests.science.published import csv_rows, markdown_rows
from tests.science.test_sugar import density_from_sg_in_air

FACTS = {row["quantity"]: row for row in csv_rows("gravity/sugar_facts.csv")}
LIMITS = {row["instrument_or_limit"]: row for row in csv_rows("alcoholometry/instrument_tolerances.csv")}
WATER = csv_rows("gravity/water_density.csv")[1:-1]  # the end rows were evaluated a little aside of their label
POUND, GALLON = 0.45359237, 3.785411784

NOTHING_RESTS_ON = {
    # How fast acid inverts, and the heat of it and of a ferment: no calculator says so.
    "inversion of sucrose: activation energy",
    "inversion of sucrose: enthalpy at 310 K",
    "inversion rate, strong acid, 24.7 C",
    "inversion rate, general",
    "inversion half-life example: pH 3.0, 100 C, cw 0.6",
    "inversion half-life example: pH 4.0, 20 C, cw 0.9",
    "heat of fermentation, standard state (solid glucose, liquid ethanol)",
    "heat of fermentation, dissolved species",  # unconfirmed
    "glucose heat of combustion",
    "ethanol heat of combustion",
    "sucrose heat of combustion",
    "cp of solid sucrose, mean 0..100 C",
    "theoretical CO2 yield, hexose",
    "molar mass carbon dioxide",
    # Limits that inspectors hold bottlers to, and classes of instruments whose tolerances weren't seen (unconfirmed).
    "ISO 4801:1979 types",
    "OIML R 44 / Directive 76/765/EEC classes",
    "OIML R 44 / 76/765/EEC class I",
    "OIML R 44 / 76/765/EEC class II",
    "OIML R 44 / 76/765/EEC class III",
    "historical: percent hydrometer divided in whole / half / fifth percents",
    "historical: thermo-hydrometer thermometer divided in whole / half / tenth degrees",
    "historical: ordinary / normal alcoholometer",
    "NIST-calibrated hydrometer, calibration",
    "US proof rounding",
    "US bottling variation, ordinary spirits",
    "US bottling variation, solids > 600 mg/100 mL or 50/100 mL bottles",
    "US label tolerance",
    "UK duty strength",
}
USED_ELSEWHERE = {
    "hydrolysis mass gain sucrose -> invert",
    "sucrose, 1 lb made up to 1 US gal at 20 C: SG 20/20",
    "sucrose, 1 lb made up to 1 imperial gal at 20 C: SG 20/20",
    "sucrose, 100 g made up to 1 L at 20 C: SG 20/20",
    "sucrose, 1 lb ADDED to 1 US gal water: SG 20/20 (apparent, air)",
    "cp of sucrose solution",
    "cp of sucrose solution, 12 %, 20 C, P=1",
    "cp of sucrose solution, 20 %, 20 C, P=1",
    "mixing temperature (no heat of solution)",
    "glass hydrometer cubic expansion, conventional",
    "hydrometer in use: surface tension, contact angle, temperature",
}
USED_HERE = {
    "molar mass sucrose C12H22O11",
    "molar mass glucose, fructose C6H12O6",
    "molar mass maltose C12H22O11 (anhydrous)",
    "molar mass ethanol",
    "molar mass water",
    "theoretical ethanol yield, hexose",
    "theoretical ethanol yield, sucrose or maltose",
    "Balling ethanol yield on extract",
    "EU wine convention",
    "sugar for 1 %vol at Gay-Lussac limit (hexose)",
    "volume taken up by dissolved sucrose",
    "cp of water 20 C",
    "proof obscuration by dissolved solids, 80..100 proof",
    "wine gallons per pound of water at 60 F",
    "weight of water in air at 60 F",
    "hobby alcoholmeter, 1 % divisions",
    "hobby SG hydrometer, 0.002 divisions",
    "hobby thermometer",
}


def value(name):
    return float(FACTS[name]["value"])


def test_every_fact_is_used_or_named_as_unused():
    named = NOTHING_RESTS_ON | USED_ELSEWHERE | USED_HERE
    assert named == FACTS.keys() | LIMITS.keys()
    assert len(named) == len(NOTHING_RESTS_ON) + len(USED_ELSEWHERE) + len(USED_HERE)


def test_molar_masses():
    # chemicals 1.5.2: the split of sucrose, and dextrose as its monohydrate.
    sucrose, hexose, water = (
        value(name)
        for name in ("molar mass sucrose C12H22O11", "molar mass glucose, fructose C6H12O6", "molar mass water")
    )
    assert value("molar mass maltose C12H22O11 (anhydrous)") == sucrose
    split = wash.invert_sucrose(sucrose)
    assert split.glucose_kg == pytest.approx(hexose, abs=1e-5)
    assert split.water_taken_up_kg == pytest.approx(water, rel=1e-9)
    assert FERMENTABLES["dextrose"].extract_percent == pytest.approx(100.0 * hexose / (hexose + water), abs=5e-4)


def test_balling_makes_less_alcohol_than_chemistry_allows():
    # Gay-Lussac: 0.51143 g of ethanol from 1 g of hexose, 0.53835 from sucrose; Balling 0.48391 (2.0665 of extract).
    ethanol = value("molar mass ethanol")
    hexose = value("theoretical ethanol yield, hexose")
    assert 2.0 * ethanol / value("molar mass glucose, fructose C6H12O6") == pytest.approx(hexose, abs=1e-5)
    from_sucrose = value("theoretical ethanol yield, sucrose or maltose")
    assert 4.0 * ethanol / value("molar mass sucrose C12H22O11") == pytest.approx(from_sucrose, abs=2e-5)
    yielded = 1.0 / gravity.EXTRACT_PER_ETHANOL
    assert yielded == pytest.approx(value("Balling ethanol yield on extract"), abs=5e-6)
    assert yielded < hexose
    limit = 0.01 * ew.ETHANOL_20C / hexose
    assert limit == pytest.approx(value("sugar for 1 %vol at Gay-Lussac limit (hexose)"), abs=1e-3)


def test_balling_beside_the_convention_for_wine():
    # French arrete of 14 September 2011 (EU practice): 16.83 g of sugar in a litre for each % vol. Balling, measured on
    # beer, asks for 3 % less sugar: what the method of gravity/attenuation says.
    sugar_per_percent = 0.01 * ew.ETHANOL_20C * gravity.EXTRACT_PER_ETHANOL
    assert sugar_per_percent / value("EU wine convention") == pytest.approx(0.97, abs=0.005)


def test_sugar_takes_up_room():
    # 0.2798 L for a pound in a gallon of water.
    mixed = wash.adjust(GALLON, 1.0, sugar.sg_from_plato(100 * POUND / (POUND + 0.001 * GALLON * sugar.WATER_20C)))
    assert mixed.final_volume_l - GALLON == pytest.approx(value("volume taken up by dissolved sucrose"), abs=6e-5)


def test_water_of_both_scales():
    # IAPWS-95 by two programs, and each formula's own water beside it.
    celsius = np.array([float(row["t_C"]) for row in WATER])
    iapws, coolprop, rational = (
        np.array([float(row[name]) for row in WATER])
        for name in ("rho_IAPWS95_iapws_kg_m3", "rho_IAPWS95_CoolProp_kg_m3", "rho_rational_ICUMSA_water_kg_m3")
    )
    np.testing.assert_allclose(iapws, coolprop, atol=1e-3)
    np.testing.assert_allclose(sugar.water_density(celsius), rational, atol=1e-5)
    np.testing.assert_allclose(sugar.water_density(celsius), iapws, atol=0.007)
    [at_20c] = [float(row["cp_J_kgK"]) for row in WATER if row["t_C"] == "20"]
    assert at_20c == pytest.approx(value("cp of water 20 C"), abs=0.1)
    reached = [row for row in WATER if row["rho_R22_water_kg_m3"]]
    assert len(reached) == 40
    ours = ew.density(0.0, np.array([float(row["t_C"]) for row in reached]))
    np.testing.assert_allclose(ours, [float(row["rho_R22_water_kg_m3"]) for row in reached], atol=6e-6)
    np.testing.assert_allclose(ours, iapws[: len(reached)], atol=0.0075)


def test_weight_of_water_at_sixty_fahrenheit():
    # 27 CFR 21.161 and 30.41(b), in air: brass weights (8.4 kg/L) in air of 1.2 g/L.
    in_air = ew.density(0.0, ew.SIXTY_FAHRENHEIT_C) - 1.2 * (1.0 - 0.999 / 8.4)
    pounds = 0.001 * in_air * GALLON / POUND
    assert pounds == pytest.approx(float(LIMITS["weight of water in air at 60 F"]["value"]), rel=3e-5)
    assert 1.0 / pounds == pytest.approx(float(LIMITS["wine gallons per pound of water at 60 F"]["value"]), rel=3e-5)


def test_obscuration_as_it_is_told():
    # 27 CFR 30.32(b): 0.4 proof for 100 mg of solids in 100 mL, so 0.2 % vol for each gram in a litre.
    row = LIMITS["proof obscuration by dissolved solids, 80..100 proof"]
    assert row["value"] == "0.4 proof per 100 mg/100 mL"
    assert "0.2 % vol for each gram of solids in a litre" in strength.OBSCURED
    # By our own densities: a gram in a litre adds some 0.38 kg/m3 (as sugar does), which is 0.2 to 0.3 % vol near 40.
    heavier = sugar.sucrose_density(0.1) - sugar.sucrose_density(0.0)
    at_40 = ew.density(ew.mass_fraction_from_abv(40.0))
    assert 40.0 - ew.abv_from_density(at_40 + heavier) == pytest.approx(0.2, abs=0.1)


def test_what_is_judged_usual_at_home_is_marked_as_no_published_figure():
    for name, used in (
        ("hobby alcoholmeter, 1 % divisions", 0.5),
        ("hobby SG hydrometer, 0.002 divisions", 0.001),
        ("hobby thermometer", 0.5),
    ):
        assert LIMITS[name]["status"] == "NOT A PUBLISHED FIGURE"
        assert float(LIMITS[name]["value"].split()[0]) == used


@pytest.mark.parametrize(
    "row",
    [row for row in csv_rows("gravity/sucrose_density.csv") if row["nD20_CRC"]],
    ids=lambda row: row["mass_percent"],
)
def test_refractive_index_of_sucrose_against_the_crc_handbook(row):
    # CRC Handbook, 102nd ed., four decimals: 0.00006 and 0.0001 above 50 %, where it parts from ICUMSA.
    percent = float(row["mass_percent"])
    index = 1.35 + refractometer._index(percent)
    assert index == pytest.approx(float(row["nD20_CRC"]), abs=1.2e-4)


def test_other_fits_of_the_plato_table():
    # As quoted in Wikipedia's "Brix": the NBS fit is within 0.017 up to 1.120, and Lincoln's runs away above 1.100.
    # The quadratic of the same table is from memory, unconfirmed, and isn't looked at.
    rows = [row for row in markdown_rows("gravity/plato_formulae.md", "SG 20/20") if row["SG 20/20"][0] == "1"]
    sg = np.array([float(row["SG 20/20"]) for row in rows])
    ours = sugar.plato_from_density(density_from_sg_in_air(sg))
    nbs = ((182.4601 * sg - 775.6821) * sg + 1262.7794) * sg - 669.5622
    lincoln = (463.0 - 205.0 * sg) * (sg - 1.0)
    for name, fit in (("NBS-fit cubic", nbs), ("Lincoln", lincoln), ("4 points per deg P", 250.0 * (sg - 1.0))):
        np.testing.assert_allclose(fit - ours, [float(row[name]) for row in rows], atol=6e-4)
    np.testing.assert_allclose(nbs, ours, atol=0.0175)
    np.testing.assert_allclose(lincoln[sg < 1.1], ours[sg < 1.1], atol=0.01)


def test_a_hydrometer_moves_with_temperature_as_its_page_says():
    # hydrometer_correction.md: 0.00024 for each kelvin at 20 °C and 0.00033 at 30 °C, at 1.050; and the two scales.
    for celsius, per_kelvin in ((20.0, 0.00024), (30.0, 0.00033)):
        warm, cold = (correct_hydrometer(1.05, celsius + step).sg for step in (0.5, -0.5))
        assert warm - cold == pytest.approx(per_kelvin, abs=6e-6)
    at_60f = sugar.sucrose_density(12.0, ew.SIXTY_FAHRENHEIT_C) / sugar.water_density(ew.SIXTY_FAHRENHEIT_C)
    assert at_60f == pytest.approx(1.04855, abs=6e-6)
    assert sugar.sg_from_plato(12.0) == pytest.approx(1.04833, abs=6e-6)
