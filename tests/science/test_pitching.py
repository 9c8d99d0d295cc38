"""Mixing hot and cold liquids.

Sources of the figures stand in tests/reference/gravity/SOURCES.md.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import pitching
from service.science.errors import InputError
from service.science.pitching import Part, pitch_mix
from tests.science.published import csv_rows

WATER = csv_rows("gravity/water_density.csv")[1:-1]  # the end rows were evaluated a little aside of their label
FACTS = {row["quantity"]: row["value"] for row in csv_rows("gravity/sugar_facts.csv")}


def heat_capacity(fraction, temperature):
    return (pitching._enthalpy(fraction, temperature + 0.5) - pitching._enthalpy(fraction, temperature - 0.5)) / 1.0


def test_enthalpy_and_heat_capacity_of_water():
    # IAPWS-95 by CoolProp 8.0.0; enthalpy is counted from another zero there.
    temperature = np.array([float(row["t_C"]) for row in WATER])
    published = np.array([float(row["h_J_kg"]) for row in WATER])
    ours = np.array([pitching._enthalpy(0.0, t) for t in temperature])
    np.testing.assert_allclose(ours - ours[19], published - published[19], atol=10.0)
    for row in WATER:
        assert heat_capacity(0.0, float(row["t_C"])) == pytest.approx(float(row["cp_J_kgK"]), abs=3.0)


@pytest.mark.parametrize("percent", [12, 20])
def test_heat_capacity_of_sucrose_solutions(percent):
    # One source only: 4184 - 2971 w + 460 w + 7.5 w t, J/(kg K).
    published = float(FACTS[f"cp of sucrose solution, {percent} %, 20 C, P=1"])
    assert heat_capacity(0.01 * percent, 20.0) == pytest.approx(published, abs=1.0)


def test_water_mixed_by_its_tabulated_enthalpy():
    # 5 kg at 80 and 15 kg at 10 °C by IAPWS-95: 115 353 J/kg, which the table has between 27 and 28 °C.
    enthalpy = {int(row["t_C"]): float(row["h_J_kg"]) for row in WATER}
    mixed = (5 * enthalpy[80] + 15 * enthalpy[10]) / 20
    expected = 27 + (mixed - enthalpy[27]) / (enthalpy[28] - enthalpy[27])
    ours = pitch_mix([Part(80.0, mass_kg=5.0), Part(10.0, mass_kg=15.0)])
    assert ours.temperature_c == pytest.approx(expected, abs=0.003)
    # sugar_facts.csv: with one heat capacity throughout the error is below 0.1 K.
    assert ours.temperature_c == pytest.approx(27.5, abs=0.1)
    assert ours.add_water_l is None


@given(st.floats(30, 100), st.floats(1, 25), st.floats(0, 30), st.floats(0.05, 0.95))
@settings(max_examples=100)
def test_added_water_brings_the_liquid_to_its_target(hot, cold, plato, share):
    target = cold + share * (hot - cold)
    wanted = pitch_mix([Part(hot, mass_kg=10.0, plato=plato)], target, cold)
    mixed = pitch_mix([Part(hot, mass_kg=10.0, plato=plato), Part(cold, volume_l=wanted.add_water_l)])
    assert mixed.temperature_c == pytest.approx(target, abs=1e-6)
    assert mixed.mass_kg == pytest.approx(wanted.mass_kg, rel=1e-9)
    assert mixed.plato == pytest.approx(wanted.plato, rel=1e-9, abs=1e-12)


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0.1, 50), st.floats(0, 60)), min_size=1, max_size=5))
@settings(max_examples=100)
def test_a_mixture_lies_between_its_parts(parts):
    ours = pitch_mix([Part(t, mass_kg=m, plato=p) for t, m, p in parts])
    temperatures = [t for t, _, _ in parts]
    assert min(temperatures) - 1e-6 <= ours.temperature_c <= max(temperatures) + 1e-6


def test_no_water_for_what_is_there_already():
    assert pitch_mix([Part(25.0, mass_kg=1.0)], 25.0, 10.0).add_water_l == 0.0


@pytest.mark.parametrize(
    ("parts", "target", "water", "field"),
    [
        ([], None, None, "parts"),
        ([Part(20.0, mass_kg=0.0)], None, None, "parts"),
        ([Part(101.0, mass_kg=1.0)], None, None, "parts.temperature_c"),
        ([Part(20.0)], None, None, "parts.mass_kg"),
        ([Part(20.0, mass_kg=1.0, plato=-1.0)], None, None, "parts.plato"),
        ([Part(80.0, mass_kg=1.0)], 25.0, None, "water_c"),
        ([Part(80.0, mass_kg=1.0)], None, 10.0, "target_c"),
        ([Part(80.0, mass_kg=1.0)], 25.0, 30.0, "water_c"),
        ([Part(80.0, mass_kg=1.0)], 25.0, 25.0, "water_c"),
        ([Part(10.0, mass_kg=1.0)], 25.0, 20.0, "water_c"),
        ([Part(80.0, mass_kg=1.0), Part(20.0, mass_kg=1.0)], 25.0, 10.0, "parts"),
        ([Part(80.0, mass_kg=1.0)], float("nan"), 10.0, "target_c"),
    ],
)
def test_what_water_cannot_do_is_refused(parts, target, water, field):
    with pytest.raises(InputError) as caught:
        pitch_mix(parts, target, water)
    assert caught.value.field == field
