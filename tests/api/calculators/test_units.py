"""Text with a unit. Factors: NIST Special Publication 811 (2008), appendix B.8; US proof: 27 CFR 30.11 and 30.66."""

import pytest

GALLON = 3.785411784
POUND = 0.45359237
UNDERSTOOD = [
    ("proofing/dilution", {"volume_l": "1 gal", "abv_percent": 70, "target_abv_percent": 40}, "volume_l", GALLON),
    ("proofing/dilution", {"volume_l": "2 qt", "abv_percent": 70, "target_abv_percent": 40}, "volume_l", GALLON / 2),
    ("proofing/dilution", {"mass_kg": "2 lb", "abv_percent": 70, "target_abv_percent": 40}, "mass_kg", 2 * POUND),
    ("proofing/dilution", {"mass_kg": "32 oz", "abv_percent": 70, "target_abv_percent": 40}, "mass_kg", 2 * POUND),
    ("gravity/hydrometer", {"reading_sg": 1.05, "sample_c": "68 degF"}, "sample_c", 20.0),
    ("gravity/hydrometer", {"reading_sg": 1.05, "sample_c": 20, "thermometer_uncertainty_c": "0.9 degF"},
     "thermometer_uncertainty_c", 0.5),
    ("gravity/scales", {"plato": "12 degP"}, "plato", 12.0),
    ("gravity/scales", {"plato": "12.5 degBx"}, "plato", 12.5),
    ("gravity/scales", {"extract_g_per_l": "130 g/L"}, "extract_g_per_l", 130.0),
    ("gravity/scales", {"density_kg_per_m3": "1.04 g/mL"}, "density_kg_per_m3", 1040.0),
    ("gravity/inversion", {"sucrose_kg": "500 g"}, "sucrose_kg", 0.5),
    ("tasting/alcohol-load", {"presentations": 3, "glasses_per_presentation": 3, "pour_ml": "0.5 fl oz",
                              "abv_percent": "20 % vol"}, "pour_ml", 29.5735295625 / 2),
    ("proofing/strength", {"reading_abv_percent": 40, "sample_c": 20, "dissolved_solids_g_per_l": "0 g/L"},
     "dissolved_solids_g_per_l", 0.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "inputs", "field", "value"), UNDERSTOOD)
def test_text_is_understood_in_the_fields_own_unit(calls, name, inputs, field, value):
    answer = calls.post(f"/v1/calculators/{name}", json=inputs)
    assert answer.status_code == 200, answer.text
    assert answer.json()["inputs"][field] == pytest.approx(value, rel=1e-12)


def test_a_cell_may_write_units_too(calls):
    answer = calls.get("/v1/calculators/proofing/volume?volume_l=1%20gal&abv_percent=100%20US%20proof&from_c=77%20degF")
    inputs = answer.json()["inputs"]
    assert inputs["from_c"] == 25.0
    assert inputs["volume_l"] == GALLON


def test_us_proof_is_at_sixty_fahrenheit(calculate):
    """27 CFR 30.66: 112 to 100 proof takes 12.42 gallons of water to 100 gallons of spirit, both at 60 °F."""
    mixed = calculate("proofing/dilution", volume_l=100, abv_percent="112 US proof", target_abv_percent="100 US proof")
    assert mixed["add_water_l"] == pytest.approx(12.42, abs=0.05)
    # 100 proof is 50 % vol at 60 °F, and a little more at 20 °C.
    back = calculate("proofing/strength", reading_abv_percent="100 US proof", sample_c="60 degF")
    assert 50.0 < back["abv_percent"] < 50.1
    assert back["us_proof"] == pytest.approx(100.0, abs=1e-9)


def test_a_proof_scale_is_made_for_sixty_fahrenheit(calls, calculate, refused):
    """27 CFR 30.61: a hydrometer that shows 193 at 75 °F is in spirit of 189.5 proof (Table 1, to 0.1 proof)."""
    read = {"reading_abv_percent": "193 US proof", "sample_c": "75 degF"}
    assert calculate("proofing/strength", **read)["us_proof"] == pytest.approx(189.5, abs=0.05)
    assert calculate("proofing/strength", **read, calibration_c="60 degF")["us_proof"] == pytest.approx(189.5, abs=0.05)
    understood = calls.post("/v1/calculators/proofing/strength", json=read).json()["inputs"]
    assert understood["reading_abv_percent"] == 96.5
    assert understood["calibration_c"] == pytest.approx(15.5556, abs=1e-4)
    matched = calculate("proofing/match", a=read, b={"reading_abv_percent": 94.75, "sample_c": 20})
    assert matched["a"]["us_proof"] == pytest.approx(189.5, abs=0.05)
    assert "60 °F" in refused("proofing/strength", {**read, "calibration_c": 20})[""]
    beyond = {**read, "reading_abv_percent": "300 US proof"}
    assert "between 0 and 200" in refused("proofing/strength", beyond)["/reading_abv_percent"]
    assert list(refused("proofing/strength", {**read, "calibration_c": "warm"})) == ["/calibration_c"]


def test_units_within_lists(calls):
    inputs = {"charge": {"volume_l": "5 gal", "abv_percent": "20 US proof"}, "fractions": [
        {"name": "all", "volume_l": "1 qt", "abv_percent": "100 US proof"}]}  # fmt: skip
    understood = calls.post("/v1/calculators/spirit-run/cuts", json=inputs).json()["inputs"]
    assert understood["charge"]["volume_l"] == pytest.approx(5 * GALLON)
    assert understood["fractions"][0]["volume_l"] == pytest.approx(GALLON / 4)
    readings = {"readings": [{"at_h": "2 days", "sg": 1.05, "temperature_c": "68 degF"}]}
    [reading] = calls.post("/v1/calculators/fermentation/progress", json=readings).json()["inputs"]["readings"]
    assert reading == {"at_h": 48.0, "sg": 1.05, "temperature_c": 20.0}


@pytest.mark.parametrize(
    ("name", "inputs", "pointer", "said"),
    [
        ("proofing/volume", {"volume_l": "1 kg", "abv_percent": 40, "from_c": 20}, "/volume_l", "unit of volume"),
        ("proofing/volume", {"volume_l": 1, "abv_percent": "12 degP", "from_c": 20}, "/abv_percent", "unit of alcohol"),
        ("gravity/scales", {"plato": "40 % vol"}, "/plato", "unit of extract"),
        ("gravity/scales", {"sg": "12 degP"}, "/sg", "write a number"),
        ("proofing/volume", {"volume_l": 1, "abv_percent": "250 US proof", "from_c": 20}, "/abv_percent", "200"),
        ("proofing/volume", {"volume_l": 1, "abv_percent": "80 proof", "from_c": 20}, "/abv_percent", "us proof"),
        ("proofing/volume", {"volume_l": 1, "abv_percent": 40, "from_c": "1e99 degF"}, "/from_c", "between"),
        ("proofing/volume", {"volume_l": "__import__ l", "abv_percent": 40, "from_c": 20}, "/volume_l", "bare number"),
        (
            "fermentation/pitch-mix",
            {"parts": [{"volume_l": "2 lb", "temperature_c": 20}]},
            "/parts/0/volume_l",
            "volume",
        ),
    ],
)
def test_a_wrong_unit_is_refused_by_name(refused, name, inputs, pointer, said):
    faults = refused(name, inputs)
    assert list(faults) == [pointer]
    assert said in faults[pointer]
