"""Planning a batch by mass balance.

Sources of the figures stand in tests/reference/gravity/SOURCES.md.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import gravity, sugar, wash
from service.science.errors import InputError
from service.science.fermentables import FERMENTABLES, MEMORY, Ingredient
from tests.science.published import csv_rows
from tests.science.test_sugar import sg_in_air

POUND, GALLON = 0.45359237, 3.785411784
FACTS = {row["quantity"]: row["value"] for row in csv_rows("gravity/sugar_facts.csv")}


@pytest.mark.parametrize("row", csv_rows("gravity/fermentables.csv"), ids=lambda row: row["kind"])
def test_extracts_with_a_source(row):
    ours, value = FERMENTABLES[row["kind"]], float(row["value"])
    if row["quantity"] == "most moisture":
        assert ours.low == 100.0 - value
    else:
        assert ours.extract_percent == pytest.approx(value, abs=5e-4)
        assert ours.low == ours.extract_percent


def test_every_extract_lies_in_its_range_and_names_where_it_is_from():
    for kind in FERMENTABLES.values():
        assert kind.low <= kind.extract_percent <= kind.high
        assert kind.source
    assert MEMORY in FERMENTABLES["molasses"].source


def test_sugar_made_up_to_a_gallon():
    # sugar_facts.csv: 1 lb made up to 1 US gal gives 1.04618 (in air), mass fraction 0.11475.
    ours = wash.wash(GALLON, [Ingredient("sucrose", mass_kg=POUND)])
    assert ours.original_plato == pytest.approx(11.475, abs=5e-4)
    assert sg_in_air(sugar.sucrose_density(ours.original_plato)) == pytest.approx(1.04618, abs=6e-6)
    assert float(FACTS["sucrose, 1 lb made up to 1 US gal at 20 C: SG 20/20"]) == 1.04618
    assert ours.extract_kg == POUND
    assert ours.original_sg_low == ours.original_sg == ours.original_sg_high


def test_sugar_added_to_a_gallon():
    # sugar_facts.csv: 1 lb ADDED to 1 US gal of water gives 1.04302 in air, and 4.0652 L.
    water_kg = 0.001 * GALLON * sugar.WATER_20C
    mixed = wash.adjust(GALLON, 1.0, sugar.sg_from_plato(100.0 * POUND / (POUND + water_kg)))
    assert mixed.add_sucrose_kg == pytest.approx(POUND, rel=1e-9)
    assert mixed.final_volume_l == pytest.approx(4.0652, abs=6e-5)
    made_up = wash.wash(mixed.final_volume_l, [Ingredient("sucrose", mass_kg=POUND)])
    assert sg_in_air(sugar.sucrose_density(made_up.original_plato)) == pytest.approx(1.04302, abs=6e-6)
    assert made_up.water_kg == pytest.approx(water_kg, rel=1e-9)


def test_the_alcohol_made_is_what_balling_leaves():
    ours = wash.wash(20.0, [Ingredient("sucrose", mass_kg=4.0)], 0.990)
    whole = gravity.attenuation(ours.original_sg, 0.990)
    assert ours.potential_abv_percent == pytest.approx(whole.abv_percent, rel=1e-12)
    # Grams of ethanol for grams of extract fermented away, 1 to 2.0665; the rest is still in the liquid.
    ethanol_kg = 0.7892391 * ours.pure_alcohol_l
    start = 20.0 * 0.001 * sugar.WATER_20C * ours.original_sg
    left_kg = 0.01 * whole.real_extract_plato * (start - gravity.LOST_PER_ETHANOL * ethanol_kg)
    assert 4.0 - left_kg == pytest.approx(gravity.EXTRACT_PER_ETHANOL * ethanol_kg, rel=1e-6)
    assert 0.96 < ours.pure_alcohol_l / (0.2 * ours.potential_abv_percent) < 1.0


def test_ranges_and_memory_are_passed_on():
    ours = wash.wash(20.0, [Ingredient("molasses", mass_kg=3.0), Ingredient("sucrose", mass_kg=2.0)], 1.010)
    assert ours.original_sg_low < ours.original_sg < ours.original_sg_high
    assert ours.unsourced == ("molasses",)
    known = wash.wash(20.0, [Ingredient("molasses", mass_kg=3.0, extract_percent=78.0)], 1.010)
    assert known.unsourced == ()
    assert [(each.source, each.extract_percent) for each in known.portions] == [("as given", 78.0)]
    assert [each.source for each in ours.portions] == [FERMENTABLES[each].source for each in ("molasses", "sucrose")]
    assert sum(each.extract_kg for each in ours.portions) == pytest.approx(ours.extract_kg, rel=1e-15)
    assert known.original_sg_low == known.original_sg_high


def test_juice_by_volume_and_water_by_difference():
    ours = wash.wash(10.0, [Ingredient("apple_juice", volume_l=10.0)], 0.998)
    assert ours.original_plato == pytest.approx(11.2, rel=1e-9)
    assert ours.water_kg == pytest.approx(0.0, abs=1e-9)


@given(st.floats(1.0, 1.3), st.floats(1.001, 1.3), st.floats(0.1, 100.0))
@settings(max_examples=100)
def test_adjusting_conserves_extract(sg, target, volume):
    ours = wash.adjust(volume, sg, target)
    extract = 0.01 * sugar.plato_from_sg(sg) * volume * sg
    final = 0.01 * sugar.plato_from_sg(target) * ours.final_volume_l * target
    assert final == pytest.approx(extract + ours.add_sucrose_kg / (0.001 * sugar.WATER_20C), rel=1e-9, abs=1e-12)
    assert min(ours.add_water_l, ours.add_sucrose_kg) == 0.0
    assert (ours.add_water_l > 0.0) <= (target < sg)


def test_adjusting_in_columns():
    ours = wash.adjust(20.0, np.array([1.08, 1.05]), 1.06)
    one, other = wash.adjust(20.0, 1.08, 1.06), wash.adjust(20.0, 1.05, 1.06)
    assert ours.add_water_l.tolist() == pytest.approx([one.add_water_l, 0.0])
    assert ours.add_sucrose_kg.tolist() == pytest.approx([0.0, other.add_sucrose_kg])


def test_inversion_takes_up_water():
    # sugar_facts.csv: 1 kg sucrose + 52.63 g water -> 1.05263 kg hexoses.
    ours = wash.invert_sucrose(1.0)
    assert ours.water_taken_up_kg == pytest.approx(float(FACTS["hydrolysis mass gain sucrose -> invert"]), abs=5e-6)
    assert ours.glucose_kg + ours.fructose_kg == pytest.approx(1.05263, abs=5e-6)
    assert ours.mass_gain_percent == pytest.approx(5.263, abs=5e-4)
    half = wash.invert_sucrose(2.0, 0.5)
    assert half.sucrose_left_kg == pytest.approx(1.0)
    assert half.glucose_kg == pytest.approx(ours.glucose_kg)
    assert wash.invert_sucrose(0.0).mass_gain_percent == pytest.approx(ours.mass_gain_percent)


@pytest.mark.parametrize(
    ("ingredients", "field", "says"),
    [
        ([Ingredient("treacle pudding", mass_kg=1.0)], "ingredients.kind", "must be one of"),
        ([Ingredient("other", mass_kg=1.0)], "ingredients.extract_percent", "is needed"),
        ([Ingredient("sucrose")], "ingredients.mass_kg", "exactly one"),
        ([Ingredient("sucrose", mass_kg=1.0, volume_l=1.0)], "ingredients.mass_kg", "exactly one"),
        ([Ingredient("sucrose", volume_l=1.0)], "ingredients.volume_l", "weigh it"),
        ([Ingredient("sucrose", mass_kg=float("nan"))], "ingredients.mass_kg", "between"),
        ([Ingredient("water", volume_l=1.0)], "ingredients", "no extract"),
        ([], "ingredients", "no extract"),
        ([Ingredient("sucrose", mass_kg=50.0)], "volume_l", "dissolves"),
        ([Ingredient("apple_juice", volume_l=11.0)], "volume_l", "more than fits"),
    ],
)
def test_what_cannot_be_made_is_refused(ingredients, field, says):
    with pytest.raises(InputError, match=says) as caught:
        wash.wash(10.0, ingredients, 1.0)
    assert caught.value.field == field


@pytest.mark.parametrize(
    ("mass_kg", "final_sg", "says"),
    [
        (1.0, 1.2, r"above the gravity at the start, 1\.0385"),
        (1.0, 0.98, r"gives, 0\.99"),
        (1e-6, 0.98, r"gives, 1\.0000"),
    ],
)
def test_a_final_gravity_that_nothing_leads_to_is_refused_by_name(mass_kg, final_sg, says):
    with pytest.raises(InputError, match=says) as caught:
        wash.wash(10.0, [Ingredient("sucrose", mass_kg=mass_kg)], final_sg)
    assert caught.value.field == "final_sg"


def test_water_cannot_take_all_sugar_out():
    with pytest.raises(InputError, match=r"above 1\.000"):
        wash.adjust(10.0, 1.05, 1.0)
    assert wash.adjust(10.0, 1.0, 1.0) == wash.Adjustment(0.0, 0.0, pytest.approx(10.0))
