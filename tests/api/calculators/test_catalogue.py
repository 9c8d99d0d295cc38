"""Every calculator explains itself: its inputs, its result, its sources, an example that runs, and what can hurt."""

import json
import re
from pathlib import Path

import pytest
from jsonschema_rs import Draft202012Validator

from service.api.calculators.catalogue import CALCULATORS
from service.science.fermentables import FERMENTABLES

CONTRACT = {
    "gravity/scales", "gravity/hydrometer", "gravity/refractometer", "gravity/attenuation", "gravity/wash",
    "gravity/adjust", "gravity/inversion", "fermentation/progress", "fermentation/pitch-mix", "proofing/strength",
    "proofing/dilution", "proofing/blend", "proofing/volume", "proofing/match", "spirit-run/cuts",
    "tasting/alcohol-load", "tasting/serving-plan", "trial/significance", "trial/similarity", "trial/sequential",
    "trial/plan", "trial/preference", "trial/descriptors", "pooling/trials", "pooling/differences", "pooling/pairs",
}  # fmt: skip
SINGLE = {"trial/plan"}
NOTES = Path(__file__).parents[3] / "openapi_notes" / "calculators.md"
each_calculator = pytest.mark.parametrize("calculator", CALCULATORS, ids=lambda each: each.name)


def test_the_catalogue_lists_every_calculator_of_the_contract(calls):
    listed = calls.get("/v1/calculators").json()
    assert {entry["name"] for entry in listed["items"]} == CONTRACT
    assert listed["next"] is None


def test_each_has_its_heading_in_the_notes():
    headings = re.findall(r"^### `?([a-z-]+/[a-z-]+)`?$", NOTES.read_text(), re.MULTILINE)
    assert headings == [calculator.name for calculator in CALCULATORS]


def test_the_notes_list_what_each_fermentable_holds():
    rows = re.findall(r"^\| `(\w+)` \| (.+) \|$", NOTES.read_text(), re.MULTILINE)
    assert rows == [
        (kind, f"{each.title} | {each.extract_percent:g} | {each.low:g} to {each.high:g} | {each.source}")
        for kind, each in FERMENTABLES.items()
    ]


@each_calculator
def test_the_example_runs_and_answers_by_its_schema(calls, calculator):
    entry = next(item for item in calls.get("/v1/calculators").json()["items"] if item["name"] == calculator.name)
    Draft202012Validator(entry["inputs"]).validate(entry["example"])
    answer = calls.post(f"/v1/calculators/{calculator.name}", json=entry["example"])
    assert answer.status_code == 200, answer.text
    body = answer.json()
    Draft202012Validator(entry["result"]).validate(body["result"])
    assert set(body["result"]) == set(entry["result"]["properties"])
    assert body["method"] == {"summary": entry["method"], "sources": entry["sources"]}
    assert holds(body["inputs"], entry["example"])


def holds(understood, given):
    if isinstance(given, dict):
        return all(holds(understood[name], value) for name, value in given.items())
    if isinstance(given, list):
        return len(understood) == len(given) and all(map(holds, understood, given))
    return understood == given


def properties_of(schema, name=""):
    for field, part in schema.get("properties", {}).items():
        yield f"{name}/{field}", part
    for part, inner in schema.get("$defs", {}).items():
        yield from properties_of(inner, part)


@each_calculator
def test_every_input_is_described_with_its_range_and_a_usual_value(calculator):
    for name, part in properties_of(calculator.inputs.model_json_schema()):
        text = json.dumps(part)
        if "$ref" in text and "description" not in part:
            continue
        assert len(part["description"]) > 10, name
        if '"type": "number"' in text or ('"type": "integer"' in text and "pattern" not in text):
            assert part["minimum"] < part["maximum"], name
            assert len(part["examples"]) == 1, name
            assert part["minimum"] <= part["examples"][0] <= part["maximum"], name


@each_calculator
def test_the_documented_range_is_the_one_that_is_held(calculator, calls):
    """Just outside it each number of the example is refused, by its own name."""
    schema = calculator.inputs.model_json_schema()
    for name, part in schema["properties"].items():
        if "minimum" not in part:
            continue
        given = dict(calculator.example)
        for other in getattr(calculator.inputs, "one_of", ()):
            if name in calculator.inputs.one_of and other != name:
                given.pop(other, None)
        width = part["maximum"] - part["minimum"]
        step = 1 if isinstance(part["examples"][0], int) else max(0.002 * width, 0.001)
        for outside in (part["minimum"] - step, part["maximum"] + max(step, 0.002 * width)):
            value = round(outside) if isinstance(part["examples"][0], int) else outside
            answer = calls.post(f"/v1/calculators/{calculator.name}", json={**given, name: value})
            assert answer.status_code == 422, (name, value, answer.text)
            assert [fault["pointer"] for fault in answer.json()["errors"]] == [f"/{name}"], (name, value)


@each_calculator
def test_texts_are_for_people(calculator):
    assert len(calculator.summary) > 80
    assert calculator.sources
    assert all(calculator.sources)
    assert 10 < len(calculator.title) < 80
    assert calculator.title[0].isupper()


@each_calculator
def test_get_is_served_just_where_numbers_and_words_are_enough(calls, calculator):
    assert calculator.takes_columns == (calculator.answers_get and calculator.name not in SINGLE)
    answer = calls.get(f"/v1/calculators/{calculator.name}")
    if calculator.answers_get:
        assert answer.status_code == 422
        assert all(fault["pointer"].startswith("query") for fault in answer.json()["errors"])
    else:
        assert answer.status_code == 405
        assert "POST" in answer.headers["allow"]


CAUTIONS = {
    "gravity/hydrometer": ({"reading_sg": 1.05, "sample_c": 55}, ["scalds", "cool"]),
    "gravity/wash": (
        {"volume_l": 20, "ingredients": [{"kind": "apple_juice", "volume_l": 19}], "final_sg": 1.0},
        ["bursts", "methanol", "vapour", "licence", "10 % vol"],
    ),
    "gravity/inversion": ({"sucrose_kg": 1}, ["burns"]),
    "fermentation/progress": ({"readings": [{"at_h": 0, "sg": 1.05}]}, ["burst"]),
    "fermentation/pitch-mix": ({"parts": [{"volume_l": 10, "temperature_c": 90}]}, ["scald"]),
    "proofing/strength": ({"reading_abv_percent": 40, "sample_c": 20}, ["too low", "fire", "licence"]),
    "proofing/dilution": ({"volume_l": 1, "abv_percent": 70, "target_abv_percent": 40}, ["too low", "fire", "licence"]),
    "proofing/blend": ({"parts": [{"volume_l": 1, "abv_percent": 60}]}, ["too low", "fire", "licence"]),
    "proofing/volume": ({"volume_l": 1, "abv_percent": 70, "from_c": 30}, ["full bottle", "fire", "licence"]),
    "spirit-run/cuts": (
        {"charge": {"volume_l": 20, "abv_percent": 10}, "fractions": [{"name": "a", "volume_l": 1, "abv_percent": 60}]},
        ["explodes", "first", "methanol", "laboratory", "licence"],
    ),
    "tasting/alcohol-load": (
        {"presentations": 1, "glasses_per_presentation": 3, "pour_ml": 5, "abv_percent": 5}, ["Tasting is drinking"],
    ),
    "tasting/serving-plan": ({"method": "two_afc", "presentations": 1, "arms": ["a", "b"]}, ["Tasting is drinking"]),
    "trial/plan": ({"method": "two_afc", "d_prime": 2}, ["Tasting is drinking"]),
}  # fmt: skip


@pytest.mark.parametrize("name", CAUTIONS)
def test_what_can_hurt_is_said_where_the_step_is(calls, name):
    inputs, words = CAUTIONS[name]
    said = " ".join(calls.post(f"/v1/calculators/{name}", json=inputs).json()["cautions"])
    for word in words:
        assert word in said, word


def test_cool_liquids_need_no_caution(calls):
    cool = {"reading_sg": 1.05, "sample_c": 25}
    assert calls.post("/v1/calculators/gravity/hydrometer", json=cool).json()["cautions"] == []
    cold = {"parts": [{"volume_l": 10, "temperature_c": 30}]}
    assert calls.post("/v1/calculators/fermentation/pitch-mix", json=cold).json()["cautions"] == []
    one_hot = {"reading_sg": [1.05, 1.05], "sample_c": [25, 55]}
    assert calls.post("/v1/calculators/gravity/hydrometer", json=one_hot).json()["cautions"]
