"""Dilution by mass.

Sources of the figures stand in tests/reference/alcoholometry/SOURCES.md.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import ethanol_water as ew
from service.science import proofing
from service.science.errors import InputError
from tests.science.published import csv_rows

EXAMPLES = [row for row in csv_rows("alcoholometry/dilution_examples.csv") if row["id"].startswith("D")]


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row["id"])
def test_dilution_examples(row):
    # Another program's mass balances on OIML R 22, to five decimals.
    amount = "volume_l" if row["basis"].startswith("volume") else "mass_kg"
    ours = proofing.dilute(
        **{amount: float(row["start_volume_L"])},
        abv_percent=float(row["start_abv"]),
        target_abv_percent=float(row["target_abv"]),
    )
    assert ours.add_water_kg == pytest.approx(float(row["water_kg"]), abs=6e-6)
    assert ours.add_water_l == pytest.approx(float(row["water_L"]), abs=6e-6)
    if row["final_volume_L"]:
        assert ours.final_volume_l == pytest.approx(float(row["final_volume_L"]), abs=6e-6)
        assert ours.contraction_l == pytest.approx(float(row["contraction_L"]), abs=6e-6)
        assert ours.spirit_l == pytest.approx(float(row["start_volume_L"]), rel=1e-12)


STRENGTHS = st.tuples(st.floats(0.5, 100), st.floats(0.5, 100)).map(sorted)


@given(STRENGTHS, st.floats(0.01, 1000))
@settings(max_examples=100)
def test_mass_and_alcohol_are_conserved(strengths, volume):
    target, strength = strengths
    ours = proofing.dilute(volume_l=volume, abv_percent=strength, target_abv_percent=target)
    spirit_kg = 0.001 * volume * ew.density(ew.mass_fraction_from_abv(strength))
    assert ours.final_mass_kg == pytest.approx(spirit_kg + ours.add_water_kg, rel=1e-9)
    assert ours.final_volume_l * target == pytest.approx(volume * strength, rel=1e-9)
    assert ours.contraction_l == pytest.approx(ours.spirit_l + ours.add_water_l - ours.final_volume_l, abs=1e-9)
    for amount, value in (("mass_kg", spirit_kg), ("final_volume_l", ours.final_volume_l)):
        again = proofing.dilute(**{amount: value}, abv_percent=strength, target_abv_percent=target)
        for name in proofing.Dilution.__slots__:
            assert getattr(again, name) == pytest.approx(getattr(ours, name), rel=1e-9, abs=1e-9 * volume)


def test_columns_give_what_numbers_give():
    strengths = np.array([96.0, 70.0, 40.0])
    whole = proofing.dilute(volume_l=2.0, abv_percent=strengths, target_abv_percent=40.0)
    for n, strength in enumerate(strengths.tolist()):
        one = proofing.dilute(volume_l=2.0, abv_percent=strength, target_abv_percent=40.0)
        assert whole.add_water_l[n] == pytest.approx(one.add_water_l, abs=1e-12)
    assert whole.add_water_l[2] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "field", "says"),
    [
        ({"volume_l": 1.0, "abv_percent": 40.0, "target_abv_percent": 41.0}, "target_abv_percent", "blend instead"),
        ({"volume_l": 1.0, "abv_percent": 40.0, "target_abv_percent": 0.0}, "target_abv_percent", "above 0"),
        ({"volume_l": 1.0, "abv_percent": 101.0, "target_abv_percent": 40.0}, "abv_percent", "between"),
        ({"volume_l": -1.0, "abv_percent": 60.0, "target_abv_percent": 40.0}, "volume_l", "between"),
        ({"abv_percent": 60.0, "target_abv_percent": 40.0}, "volume_l", "exactly one"),
        (
            {"volume_l": 1.0, "mass_kg": 1.0, "abv_percent": 60.0, "target_abv_percent": 40.0},
            "volume_l",
            "exactly one",
        ),
    ],
)
def test_what_water_cannot_do_is_refused(arguments, field, says):
    with pytest.raises(InputError, match=says) as caught:
        proofing.dilute(**arguments)
    assert caught.value.field == field


@given(STRENGTHS, st.floats(0.01, 100))
@settings(max_examples=50)
def test_blending_with_water_is_diluting(strengths, volume):
    target, strength = strengths
    diluted = proofing.dilute(volume_l=volume, abv_percent=strength, target_abv_percent=target)
    blended = proofing.blend(
        [proofing.Part(strength, volume_l=volume), proofing.Part(0.0, volume_l=diluted.add_water_l)]
    )
    assert blended.abv_percent == pytest.approx(target, rel=1e-9)
    assert blended.volume_l == pytest.approx(diluted.final_volume_l, rel=1e-9)
    assert blended.mass_kg == pytest.approx(diluted.final_mass_kg, rel=1e-9)
    assert blended.contraction_l == pytest.approx(diluted.contraction_l, abs=1e-9 * volume)


def test_blending_by_mass_or_by_volume_is_the_same():
    kilograms = 0.001 * ew.density(ew.mass_fraction_from_abv(60.0))
    by_mass = proofing.blend([proofing.Part(60.0, mass_kg=kilograms), proofing.Part(20.0, volume_l=2.0)])
    by_volume = proofing.blend([proofing.Part(60.0, volume_l=1.0), proofing.Part(20.0, volume_l=2.0)])
    assert by_mass.abv_percent == pytest.approx(by_volume.abv_percent, rel=1e-9)
    # Contraction makes a blend a little stronger than volumes alone would have it.
    assert by_volume.abv_percent > 100.0 / 3.0
    assert proofing.blend([proofing.Part(43.0, volume_l=0.7)]).abv_percent == pytest.approx(43.0, rel=1e-9)


@pytest.mark.parametrize(
    ("parts", "field", "index"),
    [
        ([proofing.Part(40.0, volume_l=1.0), proofing.Part(40.0)], "parts.volume_l", 1),
        ([proofing.Part(140.0, volume_l=1.0)], "parts.abv_percent", 0),
        ([proofing.Part(40.0, volume_l=0.0)], "parts", None),
        ([], "parts", None),
    ],
)
def test_impossible_blends_are_refused(parts, field, index):
    with pytest.raises(InputError) as caught:
        proofing.blend(parts)
    assert (caught.value.field, caught.value.index) == (field, index)


TABLE_7 = [
    row for row in csv_rows("alcoholometry/ttb_table1_table7_points.csv") if row["quantity"] == "table7_volume_factor"
]


@pytest.mark.parametrize("row", TABLE_7, ids=lambda row: row["hydrometer_indication_or_true_proof"])
def test_volume_factors_against_the_regulation(row):
    # 27 CFR 30.67, Table 7, printed to 0.001 from NBS data of 1913.
    fraction = ew.mass_fraction_from_us_proof(float(row["hydrometer_indication_or_true_proof"]))
    ours = proofing.correct_volume(
        100.0,
        ew.abv_from_mass_fraction(fraction),
        from_c=(float(row["temperature_F"]) - 32.0) / 1.8,
        to_c=ew.SIXTY_FAHRENHEIT_C,
    )
    assert ours.factor == pytest.approx(float(row["formula_glass_25e-6"]), abs=6e-6)
    assert ours.factor == pytest.approx(float(row["published"]), abs=6e-4)
    assert ours.volume_l == pytest.approx(100.0 * ours.factor)


def test_volumes_there_and_back():
    there = proofing.correct_volume(np.array([1.0, 2.0]), 60.0, 30.0, 5.0)
    back = proofing.correct_volume(there.volume_l, 60.0, 5.0, 30.0)
    np.testing.assert_allclose(back.volume_l, [1.0, 2.0], rtol=1e-12)
    with pytest.raises(InputError) as caught:
        proofing.correct_volume(1.0, 10.0, 20.0, -15.0)
    assert caught.value.field == "to_c"
