"""The calculators over HTTP: one calculation by address or by body, columns of them, and a spreadsheet's two lines.

What they calculate is tested in tests/science; here, that every way of asking gives the same answer.
"""

import csv
import io
import json

import jsonschema_rs
import pytest

from service.api.calculators.catalogue import CALCULATORS
from service.record.database import Database

NAMES = [calculator.name for calculator in CALCULATORS]
BY_ADDRESS = [calculator.name for calculator in CALCULATORS if calculator.answers_get]
IN_COLUMNS = [calculator.name for calculator in CALCULATORS if calculator.takes_columns]
CONTRACT = {
    *("gravity/scales", "gravity/hydrometer", "gravity/refractometer", "gravity/attenuation", "gravity/wash"),
    *("gravity/adjust", "gravity/inversion", "fermentation/progress", "fermentation/pitch-mix"),
    *("proofing/strength", "proofing/dilution", "proofing/blend", "proofing/volume", "proofing/match"),
    *("spirit-run/cuts", "tasting/alcohol-load", "tasting/serving-plan"),
    *("trial/significance", "trial/similarity", "trial/sequential", "trial/plan", "trial/preference"),
    *("trial/descriptors", "pooling/trials", "pooling/differences", "pooling/pairs"),
}


@pytest.fixture
def calculate(sqlite_client):
    def calculate_(name, **given):
        answer = sqlite_client.post(f"/v1/calculators/{name}", json=given)
        assert answer.status_code == 200, answer.text
        return answer

    return calculate_


@pytest.fixture
def entries(sqlite_client):
    return {entry["name"]: entry for entry in sqlite_client.get("/v1/calculators").json()["items"]}


def example(name):
    return dict(next(calculator.example for calculator in CALCULATORS if calculator.name == name))


def leaves(value, name=""):
    """Give every single value in a result by its dotted name."""
    if isinstance(value, dict):
        return {leaf: v for key, part in value.items() for leaf, v in leaves(part, f"{name}.{key}").items()}
    if isinstance(value, list):
        return {leaf: v for place, part in enumerate(value) for leaf, v in leaves(part, f"{name}.{place}").items()}
    return {name.removeprefix("."): value}


def test_the_catalogue_lists_what_the_contract_promises(entries):
    assert set(entries) >= CONTRACT
    for entry in entries.values():
        assert entry["title"]
        assert entry["summary"]
        assert entry["sources"]
        assert set(entry["example"]) <= set(entry["inputs"]["properties"])
        assert all("description" in field or "$ref" in field for field in entry["inputs"]["properties"].values())


@pytest.mark.parametrize("name", NAMES)
def test_an_example_can_be_sent_as_it_is_and_its_answer_is_as_documented(calculate, entries, name):
    entry = entries[name]
    jsonschema_rs.validator_for(entry["inputs"]).validate(entry["example"])
    body = calculate(name, **entry["example"]).json()
    assert set(body) == {"inputs", "result", "method", "cautions"}
    jsonschema_rs.validator_for(entry["result"]).validate(body["result"])
    assert body["method"] == {"summary": entry["method"], "sources": entry["sources"]}
    understood = leaves(body["inputs"])
    assert {leaf for leaf, value in leaves(entry["example"]).items() if value is not None} <= set(understood)
    # What was understood can be sent again, and gives the same.
    assert calculate(name, **body["inputs"]).json()["result"] == body["result"]


@pytest.mark.parametrize("name", BY_ADDRESS)
def test_by_address_and_by_body_the_answer_is_the_same(sqlite_client, calculate, name):
    given = example(name)
    scalar = {key: value for key, value in given.items() if not isinstance(value, (list, dict))}
    if scalar != given:
        pytest.skip("the example gives more than an address can")
    by_address = sqlite_client.get(f"/v1/calculators/{name}", params=_as_text(scalar))
    assert by_address.status_code == 200, by_address.text
    if "seed" not in by_address.json()["inputs"]:
        assert by_address.content == calculate(name, **given).content


def _as_text(given):
    return {key: json.dumps(value) if isinstance(value, bool) else value for key, value in given.items()}


@pytest.mark.parametrize("name", IN_COLUMNS)
def test_a_column_of_one_says_the_same(calculate, name):
    given = example(name)
    numbers = {key for key, value in given.items() if isinstance(value, (int, float)) and not isinstance(value, bool)}
    assert numbers
    one = calculate(name, **given).json()
    column = calculate(name, **{key: [value] if key in numbers else value for key, value in given.items()}).json()
    assert set(column) == {"result", "method", "cautions"}
    assert column["method"] == one["method"]
    found = leaves(column["result"])
    assert "reading" not in found
    expected = {name: value for name, value in leaves(one["result"]).items() if f"{name}.0" in found}
    assert len(expected) == len(found) > 0
    for leaf, value in expected.items():
        assert found[f"{leaf}.0"] == (pytest.approx(value, rel=1e-9, abs=1e-12) if _is_number(value) else value)


def _is_number(value):
    return isinstance(value, float)


@pytest.mark.parametrize("name", IN_COLUMNS)
def test_scalars_repeat_beside_a_column(calculate, name):
    given = example(name)
    first = next(key for key, value in given.items() if isinstance(value, (int, float)))
    one = leaves(calculate(name, **given | {first: [given[first]]}).json()["result"])
    three = leaves(calculate(name, **given | {first: [given[first]] * 3}).json()["result"])
    for leaf, value in one.items():
        stem = leaf.removesuffix(".0")
        assert [three[f"{stem}.{place}"] for place in range(3)] == [value] * 3


def test_columns_of_unequal_length_are_refused_by_name(sqlite_client):
    given = {"original_sg": [1.05, 1.06, 1.07], "final_sg": [1.01, 1.0]}
    answer = sqlite_client.post("/v1/calculators/gravity/attenuation", json=given)
    assert answer.status_code == 422
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["/final_sg"]


def test_a_fault_in_a_column_is_named_by_its_place(sqlite_client):
    given = {"original_sg": [1.05, 1.06, 1.07], "final_sg": [1.01, 1.0, 1.2]}
    answer = sqlite_client.post("/v1/calculators/gravity/attenuation", json=given)
    assert answer.status_code == 422
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["/final_sg/2"]


LONG = {
    "gravity/scales": {"sg": [1.0 + number / 1_000_000 for number in range(100_000)]},
    "gravity/attenuation": {"original_sg": [1.04 + number / 2_000_000 for number in range(100_000)], "final_sg": 1.01},
    "proofing/dilution": {
        "volume_l": 1,
        "abv_percent": [50 + number / 2500 for number in range(100_000)],
        "target_abv_percent": 40,
    },
    "trial/significance": {
        "method": "triangle",
        "presented": 24,
        "correct": [number % 25 for number in range(100_000)],
    },
}


@pytest.mark.parametrize("name", LONG)
def test_100_000_calculations_in_one_call(calculate, name):
    given = LONG[name]
    result = calculate(name, **given).json()["result"]
    for place in (0, 31_415, 99_999):
        one = calculate(name, **{key: v[place] if isinstance(v, list) else v for key, v in given.items()}).json()
        for leaf, value in leaves(one["result"]).items():
            column = result
            for step in leaf.split("."):
                column = column.get(step) if isinstance(column, dict) else None
            if isinstance(column, list):
                assert len(column) == 100_000
                assert column[place] == (pytest.approx(value, rel=1e-9, abs=1e-12) if _is_number(value) else value)


def test_no_upper_limit_is_null_alone_in_a_column_and_in_a_cell(sqlite_client, calculate):
    given = {"method": "triangle", "presented": 10, "correct": 10}
    assert calculate("trial/significance", **given).json()["result"]["d_prime"]["high"] is None
    column = calculate("trial/significance", **given | {"correct": [9, 10]}).json()["result"]["d_prime"]["high"]
    assert column[0] > 0
    assert column[1] is None
    text = sqlite_client.get("/v1/calculators/trial/significance", params=given | {"as": "csv"}).text
    header, values = csv.reader(io.StringIO(text))
    assert dict(zip(header, values, strict=True))["d_prime.high"] == ""


@pytest.mark.parametrize("name", BY_ADDRESS)
def test_a_cell_of_a_spreadsheet_gets_two_lines(sqlite_client, name):
    given = example(name)
    if any(isinstance(value, (list, dict)) for value in given.values()):
        pytest.skip("the example gives more than an address can")
    answer = sqlite_client.get(f"/v1/calculators/{name}", params=_as_text(given) | {"as": "csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    header, values = csv.reader(io.StringIO(answer.text))
    assert answer.text.count("\r\n") >= 2
    cells = dict(zip(header, values, strict=True))
    result = sqlite_client.get(f"/v1/calculators/{name}", params=_as_text(given)).json()["result"]
    if "seed" in given or name != "tasting/serving-plan":
        numbers = {leaf: value for leaf, value in leaves(result).items() if _is_number(value)}
        assert {leaf: float(cells[leaf]) for leaf in numbers} == numbers
        assert set(cells) == set(leaves(result))


def test_a_cell_may_ask_by_accept_too(sqlite_client):
    path = "/v1/calculators/gravity/scales?sg=1.05"
    by_accept = sqlite_client.get(path, headers={"Accept": "text/csv"})
    assert by_accept.text == sqlite_client.get(f"{path}&as=csv").text
    assert by_accept.headers["vary"] == "Accept"
    assert sqlite_client.get(path, headers={"Accept": "text/csv, application/json"}).json()["result"]["sg"] == 1.05


@pytest.mark.parametrize(
    ("name", "bare", "written"),
    [
        ("gravity/hydrometer", {"reading_sg": 1.05, "sample_c": 20}, {"reading_sg": 1.05, "sample_c": "68 degF"}),
        ("gravity/hydrometer", {"reading_sg": 1.05, "sample_c": 20}, {"reading_sg": 1.05, "sample_c": "293.15 K"}),
        (
            "proofing/dilution",
            {"volume_l": 18.92705892, "abv_percent": 70, "target_abv_percent": 40},
            {"volume_l": "5 gal", "abv_percent": "70 %", "target_abv_percent": "40 % vol"},
        ),
        (
            "proofing/dilution",
            {"volume_l": 0.35488235475, "abv_percent": 70, "target_abv_percent": 40},
            {"volume_l": "12 fl oz", "abv_percent": 70, "target_abv_percent": 40},
        ),
        ("gravity/scales", {"density_kg_per_m3": 1050}, {"density_kg_per_m3": "1.05 g/ml"}),
    ],
)
def test_a_quantity_with_its_unit_is_converted(sqlite_client, calculate, name, bare, written):
    """US customary measures by their legal definitions: 1 gal = 3.785411784 l, 1 fl oz = gal/128 (NIST SP 811)."""
    expected = leaves(calculate(name, **bare).json()["result"])
    for answer in (
        calculate(name, **written),
        sqlite_client.get(f"/v1/calculators/{name}", params=written),
    ):
        found = leaves(answer.json()["result"])
        assert {leaf: value for leaf, value in found.items() if leaf != "reading"} == pytest.approx(
            {leaf: value for leaf, value in expected.items() if leaf != "reading"}, rel=1e-12
        )


def test_an_answer_says_what_it_understood(calculate):
    given = {"reading_sg": 1.05, "sample_c": "68 degF"}
    assert calculate("gravity/hydrometer", **given).json()["inputs"]["sample_c"] == 20.0


def test_what_can_hurt_carries_its_caution(calculate):
    for name in ("proofing/dilution", "spirit-run/cuts", "tasting/serving-plan"):
        assert calculate(name, **example(name)).json()["cautions"]


def test_answers_by_address_may_be_kept_and_posted_ones_are_not_said_to_be(sqlite_client):
    by_address = sqlite_client.get("/v1/calculators/gravity/scales?sg=1.05")
    assert by_address.headers["cache-control"] == "public, max-age=3600"
    posted = sqlite_client.post("/v1/calculators/gravity/scales", json={"sg": 1.05})
    assert "cache-control" not in posted.headers


def test_a_calculation_needs_no_account_and_no_record(tmp_path, join):
    database = Database(f"sqlite:///{tmp_path / 'no such folder' / 'record.db'}")
    client = join(database)
    assert client.post("/v1/calculators/gravity/scales", json={"sg": 1.05}).status_code == 200
    database.dispose()
