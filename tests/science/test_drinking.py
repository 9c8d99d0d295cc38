import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.drinking import CAUTION_G, NATIONAL_UNITS, alcohol_load
from service.science.errors import InputError
from tests.science.trial_figures import rows

EXAMPLES = [row for row in rows("alcohol_load.csv") if row["record"] == "load_example"]
UNIT_COLUMN = {
    "United Kingdom": "uk_units_by_volume",
    "United States": "us_drinks_14g",
    "Australia": "au_nz_drinks_10g",
    "New Zealand": "au_nz_drinks_10g",
    "Canada": "ca_drinks_13.45g",
}


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row["name"])
def test_every_published_load(row):
    found = alcohol_load(
        int(row["sets"]),
        int(row["glasses_per_set"]),
        float(row["ml_per_glass"]),
        float(row["abv_percent"]),
        swallowed_fraction=float(row["retained_fraction"]),
    )
    assert found.poured_ml == pytest.approx(float(row["total_ml_poured"]))
    assert found.pure_alcohol_ml == pytest.approx(float(row["pure_alcohol_ml"]), abs=5e-5)
    assert found.grams_per_day == pytest.approx(float(row["ethanol_g_at_0.7893"]), abs=5e-5)
    for each in found.national_units:
        assert each.units_per_day == pytest.approx(float(row[UNIT_COLUMN[each.country]]), abs=5e-5)


def test_national_units_are_the_published_ones():
    published = {row["name"]: row for row in rows("alcohol_load.csv") if row["record"] == "standard_drink"}
    for each in NATIONAL_UNITS:
        row = published[each.country]
        assert row["status"] == "confirmed"
        assert each.source
        if each.grams is None:
            assert each.pure_alcohol_ml == float(row["ml_per_drink"])
        else:
            assert each.grams == float(row["grams_per_drink"])


@pytest.mark.parametrize(("pour_ml", "abv_percent", "days"), [(15, 40, 10), (15, 20, 5), (5, 20, 2)])
def test_days_advised_for_ten_triangles(pour_ml, abv_percent, days):
    assert alcohol_load(10, 3, pour_ml, abv_percent).days_advised == days


def test_advice_grows_with_the_load():
    advice = [alcohol_load(n, 3, 15, 40).advice for n in (1, 2, 3, 5)]
    for text, words in zip(
        advice, ("Within", "More than a light", "More than four", "Too much for one day"), strict=True
    ):
        assert text.startswith(words)
        assert "pregnant" in text


def test_spitting_does_not_hide_what_is_poured():
    found = alcohol_load(10, 3, 15, 40, swallowed_fraction=0.1)
    assert found.grams_per_day < CAUTION_G < found.grams_per_day_all_swallowed
    assert found.advice.startswith("More than a light")
    assert "Spitting lowers" in found.advice


def test_nothing_says_that_driving_is_safe():
    for n in (1, 50):
        assert "safe" not in alcohol_load(n, 3, 15, 40).advice


def test_columns_equal_single_calls():
    column = alcohol_load(np.array([10, 4]), 3, 15, np.array([40.0, 0.0]), days=np.array([1, 2]))
    for place, (n, strength, days) in enumerate([(10, 40.0, 1), (4, 0.0, 2)]):
        single = alcohol_load(n, 3, 15, strength, days=days)
        assert column.grams_per_day[place] == single.grams_per_day
        assert column.advice[place] == single.advice
        assert column.days_advised[place] == single.days_advised
        assert column.national_units[0].units_per_day[place] == single.national_units[0].units_per_day


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 200), st.integers(1, 4), st.floats(0.5, 100.0), st.floats(0.0, 96.0))
def test_the_advised_days_keep_within_the_amount(n, glasses, pour_ml, abv_percent):
    found = alcohol_load(n, glasses, pour_ml, abv_percent)
    each = found.grams / n
    most_in_a_day = -(-n // found.days_advised)
    assert most_in_a_day * each <= CAUTION_G * (1 + 1e-9) or most_in_a_day == 1


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"presentations": 0}, "presentations"),
        ({"glasses_per_presentation": 2.5}, "glasses_per_presentation"),
        ({"pour_ml": -1.0}, "pour_ml"),
        ({"abv_percent": 101.0}, "abv_percent"),
        ({"swallowed_fraction": 1.2}, "swallowed_fraction"),
        ({"days": 0}, "days"),
    ],
)
def test_what_is_refused(change, field):
    plan = {"presentations": 10, "glasses_per_presentation": 3, "pour_ml": 15.0, "abv_percent": 40.0} | change
    with pytest.raises(InputError) as refusal:
        alcohol_load(**plan)
    assert refusal.value.field == field
