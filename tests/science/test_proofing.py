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
