"""Spirits over HTTP, against figures of others; sources in tests/reference/alcoholometry/SOURCES.md."""

import pytest

from tests.science.published import csv_rows

REGULATION = csv_rows("alcoholometry/ttb_table1_table7_points.csv")
SIXTY_F = 15.56


def test_strength_against_the_us_regulation(calculate):
    """27 CFR 30.61, table 1: true proof from a hydrometer's indication, printed to 0.1 proof."""
    [row] = [row for row in REGULATION if row["quantity"] == "table1_true_proof"]
    found = calculate(
        "proofing/strength",
        reading_abv_percent=float(row["hydrometer_indication_or_true_proof"]) / 2,
        sample_c=f"{row['temperature_F']} degF",
        calibration_c="60 degF",
    )
    assert found["us_proof"] == pytest.approx(float(row["published"]), abs=0.05)


def test_strength_against_the_pharmacopoeias_table(calculate):
    """USP 29 alcoholometric table (NBS Bulletin 9): mass percent of each proof at 60 °F."""
    rows = [row for row in csv_rows("alcoholometry/ttb_table6.csv") if row["abw_percent_published"]]
    assert len(rows) >= 5
    for row in rows:
        found = calculate("proofing/strength", reading_abv_percent=f"{row['proof']} US proof", sample_c="60 degF")
        assert found["abw_percent"] == pytest.approx(float(row["abw_percent_published"]), abs=0.006)
        assert found["us_proof"] == pytest.approx(float(row["proof"]), abs=1e-6)


def test_strength_from_a_density(calculate):
    """density_points.csv: OIML R 22, and the US Bureau of Standards table (Simmonds 1919) beside it."""
    rows = [row for row in csv_rows("alcoholometry/density_points.csv") if row["kind"] == "formula"]
    rows = [row for row in rows if 10 < float(row["abw_percent"]) < 99][::5]
    found = calculate(
        "proofing/strength",
        density_kg_per_m3=[float(row["rho_formula_kg_m3"]) for row in rows],
        sample_c=[float(row["t_C"]) for row in rows],
    )
    assert found["abv_percent"] == pytest.approx([float(row["abv20_percent"]) for row in rows], abs=1e-3)


def test_volumes_against_the_us_regulation(calculate):
    """27 CFR 30.67, table 7: factors to 60 °F, printed to three places."""
    rows = [row for row in REGULATION if row["quantity"] == "table7_volume_factor"]
    assert len(rows) == 3
    for row in rows:
        found = calculate(
            "proofing/volume",
            volume_l=1,
            abv_percent=f"{row['hydrometer_indication_or_true_proof']} US proof",
            from_c=f"{row['temperature_F']} degF",
            to_c="60 degF",
        )
        assert found["factor"] == pytest.approx(float(row["published"]), abs=6e-4)


@pytest.mark.parametrize(
    "row",
    [row for row in csv_rows("alcoholometry/dilution_examples.csv") if row["id"].startswith("D")],
    ids=lambda row: row["id"],
)
def test_dilution_against_worked_mass_balances(calculate, row):
    amount = "volume_l" if row["basis"].startswith("volume") else "mass_kg"
    given = {"abv_percent": float(row["start_abv"]), "target_abv_percent": float(row["target_abv"])}
    found = calculate("proofing/dilution", **{amount: float(row["start_volume_L"])}, **given)
    assert found["add_water_kg"] == pytest.approx(float(row["water_kg"]), abs=6e-6)
    assert found["add_water_l"] == pytest.approx(float(row["water_L"]), abs=6e-6)
    if row["final_volume_L"]:
        assert found["contraction_l"] == pytest.approx(float(row["contraction_L"]), abs=6e-6)
        back = calculate("proofing/dilution", final_volume_l=found["final_volume_l"], **given)
        assert back["spirit_l"] == pytest.approx(float(row["start_volume_L"]), rel=1e-9)


def test_a_blend_with_water_is_that_dilution(calculate):
    """dilution_examples.csv, D01: a litre of 96 % to 40 % takes 1.46789 kg of water and comes to 2.4 L."""
    parts = [{"volume_l": 1, "abv_percent": 96}, {"mass_kg": 1.46789, "abv_percent": 0}]
    found = calculate("proofing/blend", parts=parts)
    assert found["abv_percent"] == pytest.approx(40, abs=1e-4)
    assert found["volume_l"] == pytest.approx(2.4, abs=1e-5)
    assert found["contraction_l"] == pytest.approx(0.07053, abs=1e-5)


def test_equal_readings_do_not_show_equal_strengths(calculate):
    """JCGM 100:2008, 4.3.7: a tolerance as a rectangle has a standard uncertainty of its half-width over root three."""
    sample = {"reading_abv_percent": 40, "sample_c": 20, "thermometer_tolerance_c": 0}
    found = calculate("proofing/match", a=sample, b=sample, tolerance_percent=0.5)
    assert found["difference_percent"] == 0
    assert not found["shown_to_match"]
    # Twice the root of the sum of two squares of 0.5/sqrt(3), and a little for the formula itself.
    assert found["could_differ_by_percent"] == pytest.approx(2 * (2 / 3) ** 0.5 * 0.5, rel=0.02)
    fine = sample | {"instrument_tolerance_percent": 0.05}
    assert calculate("proofing/match", a=fine, b=fine, tolerance_percent=0.5)["shown_to_match"]


def test_the_account_of_a_run_by_hand(calculate):
    """By hand: 18 L of 10 % hold 1.8 L of pure alcohol; the jars 0.12, 0.84 and 0.40 L."""
    run = {
        "charge": {"volume_l": 18, "abv_percent": 10},
        "fractions": [
            {"name": "heads", "volume_l": 0.15, "abv_percent": 80},
            {"name": "hearts", "volume_l": 1.2, "abv_percent": 70},
            {"name": "tails", "volume_l": 1.0, "abv_percent": 40},
        ],
        "scale_to_charge": {"volume_l": 36, "abv_percent": 10},
    }
    found = calculate("spirit-run/cuts", **run)
    assert [jar["pure_alcohol_l"] for jar in found["fractions"]] == pytest.approx([0.12, 0.84, 0.40])
    assert found["recovery_percent"] == pytest.approx(100 * 1.36 / 1.8)
    assert found["unaccounted_l"] == pytest.approx(0.44)
    assert found["unaccounted_uncertainty_l"] > 0
    assert [cut["after"] for cut in found["cuts"]] == ["heads", "hearts"]
    assert [cut["collected_l"] for cut in found["scaled"]["cuts"]] == pytest.approx([0.3, 2.7])
    assert calculate("spirit-run/cuts", **{k: v for k, v in run.items() if k != "scale_to_charge"})["scaled"] is None
