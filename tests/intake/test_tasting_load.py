import csv
from pathlib import Path

import pytest

from service.intake.protocol_documents import ProtocolTrial
from service.intake.sealed_documents import TrialOpening
from service.intake.tasting_load import alcohol_of, serving_of, taster_cautions

PUBLISHED = Path(__file__).parents[1] / "reference" / "discrimination" / "alcohol_load.csv"
with PUBLISHED.open() as file:
    EXAMPLES = [row for row in csv.DictReader(file) if row["record"] == "load_example"]
TRIAL = {"method": "triangle", "control": "a", "treatment": "b", "presentations": 10, "tasters": ["p1"]}
PROTOCOL = ProtocolTrial(
    method="triangle", control="a", treatment="b", presentations=10, pour_ml=15.0, tasting_abv_percent=20.0
)


def opening(**given):
    return TrialOpening.model_validate({**TRIAL, **given})


def serving(**given):
    return {"pour_ml": 15.0, "abv_percent": 40.0, "assumed": [], "swallowed_fraction": 1.0, "days": 1, **given}


def test_pour_and_strength_are_as_given_else_the_protocols_else_what_is_usual():
    given = serving_of(opening(pour_ml=5, abv_percent=0), PROTOCOL, "distil")
    assert (given["pour_ml"], given["abv_percent"], given["assumed"]) == (5, 0, [])
    of_protocol = serving_of(opening(), PROTOCOL, "distil")
    assert (of_protocol["pour_ml"], of_protocol["abv_percent"], of_protocol["assumed"]) == (15, 20, [])
    for stage, usual in (("ferment", 12), ("distil", 40)):
        neither = serving_of(opening(), None, stage)
        assert (neither["pour_ml"], neither["abv_percent"]) == (15, usual)
        assert neither["assumed"] == ["pour_ml", "abv_percent"]
        assert "Nobody said" in alcohol_of("triangle", 10, neither).cautions[-1]


def test_a_pour_may_be_text_with_a_unit():
    assert opening(pour_ml="1 fl oz").pour_ml == pytest.approx(29.5735, abs=1e-4)


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: row["name"])
def test_grams_agree_with_the_published_examples(row):
    method = {2: "two_afc", 3: "triangle", 4: "tetrad"}[int(row["glasses_per_set"])]
    retained = float(row["retained_fraction"])
    plan = serving(
        pour_ml=float(row["ml_per_glass"]), abv_percent=float(row["abv_percent"]), swallowed_fraction=retained
    )
    load = alcohol_of(method, int(row["sets"]), plan)
    grams = float(row["ethanol_g_at_0.7893"])
    assert load.swallowed_g_per_day == pytest.approx(grams, abs=0.006)
    assert load.poured_g_per_day == pytest.approx(grams / retained, abs=0.006 / retained)
    swallowed = {unit.country: unit.swallowed for unit in load.national_units}
    assert swallowed["United Kingdom"] == pytest.approx(float(row["uk_units_by_volume"]), abs=0.006)
    assert swallowed["Canada"] == pytest.approx(float(row["ca_drinks_13.45g"]), abs=0.006)


def test_national_units_are_poured_and_swallowed_and_name_their_source():
    # Ten triangles of 15 mL at 40 %: 18 United Kingdom units, a tenth of them swallowed (the reference's own example).
    load = alcohol_of("triangle", 10, serving(swallowed_fraction=0.1))
    british = next(unit for unit in load.national_units if unit.country == "United Kingdom")
    assert (british.poured, british.swallowed) == (pytest.approx(18.0), pytest.approx(1.8))
    assert all(unit.source and unit.guidance for unit in load.national_units)


def test_days_share_the_load():
    load = alcohol_of("triangle", 10, serving(days=5))
    assert load.poured_g_per_day == pytest.approx(142.07 / 5, abs=0.01)
    assert load.days_advised == 10


def test_beyond_the_caution_level_it_asks_for_each_way_to_less():
    cautions = " ".join(alcohol_of("triangle", 10, serving()).cautions)
    for way in ("Too much for one day", "2 mL a glass", "20 % vol", "Spit", "10, with both batches"):
        assert way in cautions, way


def test_a_taster_is_told_what_is_poured_for_them():
    said = taster_cautions("triangle", 10, serving(days=5))
    assert said[0] == "This trial pours you 28 g of pure alcohol on each of 5 days."
    assert said[1].startswith("More than a light drinking occasion")
    assert taster_cautions("triangle", 1, serving())[0] == "This trial pours you 14 g of pure alcohol a day."
    assert "pours you 7.1 g of pure alcohol on each of 2 days" in taster_cautions("triangle", 1, serving(days=2))[0]


def test_within_it_there_is_nothing_to_mend():
    load = alcohol_of("triangle", 8, serving(pour_ml=5.0, abv_percent=20.0))
    assert load.poured_g_per_day < 20
    assert len(load.cautions) == 1
    assert "pregnant" in load.cautions[0]


def test_what_cannot_help_is_not_advised():
    cautions = " ".join(alcohol_of("triangle", 40, serving(abv_percent=12.0, days=30, pour_ml=60.0)).cautions)
    assert "20 % vol" not in cautions
    strong = " ".join(alcohol_of("triangle", 500, serving()).cautions)
    assert "Smaller pours" not in strong
    assert "single glass" in " ".join(alcohol_of("triangle", 1, serving(pour_ml=100.0)).cautions)
