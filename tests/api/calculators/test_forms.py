"""One calculation, whichever way it is asked for: POST, GET, one row of a column, one line of a spreadsheet."""

import csv
import io

import pytest

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.columns import numbers_of

CELLS = [calculator for calculator in CALCULATORS if calculator.answers_get]
COLUMNS = [calculator for calculator in CALCULATORS if calculator.takes_columns]
FIGURES = {"fewest_correct_for", "national_units"}


def leaves(value, name=""):
    if isinstance(value, dict):
        return {key: leaf for part, inner in value.items() for key, leaf in leaves(inner, f"{name}.{part}").items()}
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return {key: leaf for at, inner in enumerate(value) for key, leaf in leaves(inner, f"{name}.{at}").items()}
    return {name.lstrip("."): value}


@pytest.mark.parametrize("calculator", CELLS, ids=lambda each: each.name)
def test_get_and_post_answer_alike(calls, calculator):
    path = f"/v1/calculators/{calculator.name}"
    by_post = calls.post(path, json=calculator.example)
    by_get = calls.get(path, params=calculator.example)
    assert by_get.json() == by_post.json()
    assert by_get.headers["cache-control"] == "public, max-age=3600"


@pytest.mark.parametrize("calculator", COLUMNS, ids=lambda each: each.name)
def test_a_row_of_a_column_is_the_single_calculation(calls, calculator):
    """Every leaf is a list; scalars repeat; inputs and prose are left out."""
    path = f"/v1/calculators/{calculator.name}"
    one = calls.post(path, json=calculator.example).json()
    numbers = numbers_of(calculator.inputs)
    name = next(name for name in calculator.example if name in numbers)
    for widened in ([name], [each for each in calculator.example if each in numbers]):
        given = {each: [value] * 3 if each in widened else value for each, value in calculator.example.items()}
        many = calls.post(path, json=given).json()
        assert set(many) == {"result", "method", "cautions"}
        single, columns = leaves(one["result"]), leaves(many["result"])
        left_out = set(single) - set(columns)
        assert all(each.rpartition(".")[2] in {"reading", "guidance", "source"} for each in left_out)
        for leaf, column in columns.items():
            assert len(column) == 3, leaf
            assert (
                column == pytest.approx([single[leaf]] * 3, rel=1e-9, nan_ok=False)
                if isinstance(single[leaf], float)
                else column == [single[leaf]] * 3
            ), leaf


@pytest.mark.parametrize("calculator", CELLS, ids=lambda each: each.name)
def test_a_spreadsheet_cell_gets_a_header_line_and_a_value_line(calls, calculator):
    path = f"/v1/calculators/{calculator.name}"
    result = calls.post(path, json=calculator.example).json()["result"]
    answer = calls.get(path, params={**calculator.example, "as": "csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    head, values = csv.reader(io.StringIO(answer.text))
    shown = dict(zip(head, values, strict=True))
    for name, value in result.items():
        if isinstance(value, bool):
            assert shown[name] == str(value).lower()
        elif isinstance(value, float):
            assert float(shown[name]) == value
        elif value is None:
            assert shown[name] == ""
    assert answer.text.endswith("\r\n")


def test_dotted_names_and_no_upper_limit_in_a_cell(calls):
    answer = calls.get("/v1/calculators/trial/significance?method=triangle&presented=10&correct=10&as=csv")
    head, values = csv.reader(io.StringIO(answer.text))
    shown = dict(zip(head, values, strict=True))
    assert shown["d_prime.high"] == ""
    assert float(shown["d_prime.low"]) > 0
    assert shown["fewest_correct_for.0.05"] == "7"
    assert "once in 59 049" in shown["reading"]


def test_the_accept_header_chooses_where_as_is_left_out(calls):
    path = "/v1/calculators/gravity/scales?sg=1.05"
    assert calls.get(path, headers={"Accept": "text/csv"}).headers["content-type"].startswith("text/csv")
    assert calls.get(path, headers={"Accept": "application/json, text/csv"}).json()["result"]["sg"] == 1.05
    assert calls.get(f"{path}&as=json", headers={"Accept": "text/csv"}).status_code == 406
    assert calls.get(path, headers={"Accept": "text/html"}).status_code == 406
    assert (
        calls.post("/v1/calculators/gravity/scales", json={"sg": 1}, headers={"Accept": "text/csv"}).status_code == 406
    )


def test_head_and_a_page_of_another_origin(calls):
    path = "/v1/calculators/gravity/scales"
    head = calls.head(f"{path}?sg=1.05")
    assert (head.status_code, head.content) == (200, b"")
    answer = calls.post(path, json={"sg": 1.05}, headers={"Origin": "https://elsewhere.example"})
    assert answer.headers["access-control-allow-origin"] == "*"
    preflight = calls.options(path, headers={"Origin": "https://e.example", "Access-Control-Request-Method": "POST"})
    assert "POST" in preflight.headers["access-control-allow-methods"]


def test_a_hundred_thousand_rows(calls):
    sample = [15.0 + 20.0 * row / 100_000 for row in range(100_000)]
    answer = calls.post("/v1/calculators/proofing/volume", json={"volume_l": 1, "abv_percent": 40, "from_c": sample})
    result = answer.json()["result"]
    assert len(result["volume_l"]) == len(result["factor"]) == 100_000
    assert result["factor"] == sorted(result["factor"], reverse=True)


@pytest.mark.parametrize(
    ("given", "pointers"),
    [
        ({"volume_l": [1, 2], "abv_percent": [40, 50, 60], "from_c": 20}, ["/volume_l"]),
        ({"volume_l": [1] * 100_001, "abv_percent": 40, "from_c": 20}, ["/volume_l"]),
        ({"volume_l": [], "abv_percent": 40, "from_c": 20}, ["/volume_l"]),
        ({"volume_l": [1, "2 l"], "abv_percent": 40, "from_c": 20}, ["/volume_l/1"]),
        ({"volume_l": [1, True], "abv_percent": 40, "from_c": 20}, ["/volume_l/1"]),
        ({"volume_l": [1, 1, 1], "abv_percent": 40, "from_c": [20, 30, 41]}, ["/from_c/2"]),
        ({"volume_l": [1, 1], "abv_percent": 40, "from_c": 41}, ["/from_c"]),
        ({"volume_l": [1, 10**400], "abv_percent": 40, "from_c": 20}, ["/volume_l/1"]),
    ],
)
def test_faulty_columns_are_refused_by_their_place(refused, given, pointers):
    assert list(refused("proofing/volume", given)) == pointers


def test_whole_numbers_in_columns_stay_whole(refused, calculate):
    assert list(refused("trial/significance", {"method": "triangle", "presented": [12, 12.5], "correct": 8})) == [
        "/presented/1"
    ]
    assert list(refused("trial/significance", {"method": "triangle", "presented": [12, 10**30], "correct": 8})) == [
        "/presented/1"
    ]
    many = calculate("trial/significance", method="triangle", presented=[12, 10], correct=[8, 4], confidence=0.9)
    assert many["fewest_correct_for"]["0.05"] == [8, 7]


def test_additions_go_with_single_calculations_alone(refused, calls):
    honey = {"kind": "honey", "mass_kg": 1}
    given = {"original_sg": [1.05, 1.06], "final_sg": 1.01, "volume_l": 20, "additions": [honey]}
    assert list(refused("gravity/attenuation", given)) == ["/additions"]
    answer = calls.get("/v1/calculators/gravity/attenuation?original_sg=1.05&final_sg=1.01&additions=honey")
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["query/additions"]


def test_a_plan_is_asked_for_one_at_a_time(refused):
    assert list(refused("trial/plan", {"method": "triangle", "d_prime": [1, 2]})) == ["/d_prime"]


def test_the_answer_to_the_same_question_is_the_same(calls):
    """Dear calculations are remembered; what is remembered must be what would be calculated."""
    inputs = {"reading_abv_percent": 42.5, "sample_c": 25}
    first, again = (calls.post("/v1/calculators/proofing/strength", json=inputs).content for _ in range(2))
    assert first == again
    other = calls.post("/v1/calculators/proofing/strength", json={**inputs, "sample_c": 25.5}).json()
    assert other["inputs"]["sample_c"] == 25.5
    assert other["result"]["abv_percent"] < 42.5
