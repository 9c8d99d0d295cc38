import json

import pytest

from service.api.calculators.catalogue import CALCULATORS
from service.pages.calculators import families
from service.pages.forms import Form
from service.pages.prose import prose
from service.pages.results import laid_out
from service.pages.typed import typed_of
from tests.pages.reader import Seen

EACH = pytest.mark.parametrize("calculator", CALCULATORS, ids=lambda each: each.name)


def path_of(calculator) -> str:
    family, _, name = calculator.name.partition("/")
    return f"/calculators/{family}?calculator={name}"


@EACH
def test_an_example_typed_into_its_form_is_the_example(calculator):
    example = json.loads(json.dumps(dict(calculator.example)))
    form = Form.over(calculator.inputs, typed_of(example))
    assert form.document() == example
    assert Form.over(calculator.inputs, typed_of(form.document())).document() == example


@EACH
def test_a_form_answers_what_the_interface_answers(reader, calculator):
    answer = reader.client.post(f"/v1/calculators/{calculator.name}", json=dict(calculator.example)).json()
    seen = reader_sends(reader, calculator, typed_of(calculator.example))
    laid = laid_out(answer["result"])
    if not calculator.complete:  # a seed drawn anew gives other orders
        for name, value in laid.rows:
            assert name in seen.text
            assert " ".join(value.split()) in seen.text
    for caution in answer["cautions"]:
        assert " ".join(prose(caution).split()) in seen.text
    reading = answer["result"].get("reading")
    if reading and not calculator.complete:
        assert " ".join(prose(reading).split()) in seen.text


def reader_sends(reader, calculator, typed, status=200) -> Seen:
    family, _, name = calculator.name.partition("/")
    answer = reader.client.get(
        f"/calculators/{family}", params={"calculator": name, **typed}, headers={"Accept": "text/html"}
    )
    assert answer.status_code == status, answer.text[:300]
    return Seen(answer.text)


def test_every_family_has_a_page_with_a_filled_in_example(reader):
    listed = [link["href"] for link in reader.page("/calculators").each("a")]
    for family, members in families().items():
        assert f"/calculators/{family}" in listed
        seen = reader.page(f"/calculators/{family}")
        for member in members:
            assert prose(member.title) in seen.text
            assert set(typed_of(member.example).items()) <= set(seen.fields)
        ids = [given["id"] for _, given in seen.elements if "id" in given]
        assert len(ids) == len(set(ids))
    assert reader.get("/calculators/none").status_code == 404


def test_text_with_a_unit_is_taken(reader):
    seen = reader.page("/calculators/proofing?calculator=dilution&volume_l=1+gal&abv_percent=70&target_abv_percent=40")
    assert "2.933 L" in seen.text


def test_what_is_wrong_stands_beside_its_field(reader):
    path = "/calculators/trial?calculator=significance&method=triangle&presented=12&correct=many"
    seen = reader.page(path, 422)
    field = next(each for each in seen.each("input") if each.get("name") == "correct" and each.get("value") == "many")
    assert field["aria-invalid"] == "true"
    wrong = f"{field['id']}-wrong"
    assert wrong in (field["aria-describedby"] or "")
    assert wrong in [given.get("id") for _, given in seen.elements]
    assert f"#{field['id']}" in [link.get("href") for link in seen.each("a")]


def test_what_the_science_refuses_stands_beside_its_field_too(reader):
    seen = reader.page("/calculators/proofing?calculator=dilution&volume_l=1&abv_percent=40&target_abv_percent=70", 422)
    assert "This needs mending" in seen.text
    assert [each["name"] for each in seen.each("input") if each.get("aria-invalid")] == ["target_abv_percent"]


def test_a_row_left_empty_moves_nothing(reader):
    query = (
        "calculator=blend&parts.0.volume_l=1&parts.0.abv_percent=70&parts.1.volume_l=&parts.1.abv_percent="
        "&parts.3.volume_l=1&parts.3.abv_percent=900"
    )
    seen = reader.page(f"/calculators/proofing?{query}", 422)
    assert [each["name"] for each in seen.each("input") if each.get("aria-invalid")] == ["parts.1.abv_percent"]
    assert ("parts.1.abv_percent", "900") in seen.fields


def test_more_rows_are_given_without_calculating(reader):
    path = "/calculators/proofing?calculator=blend&parts.0.volume_l=1&parts.0.abv_percent=70&more=rows"
    seen = reader.page(path)
    assert ("parts.5.volume_l", "") in seen.fields
    assert "Result" not in seen.text


def test_no_upper_limit_is_said_and_not_infinite(reader):
    seen = reader.page("/calculators/trial?calculator=significance&method=triangle&presented=10&correct=10")
    assert "no upper limit" in seen.text
    assert "inf" not in seen.text.lower().replace("information", "")


def test_the_same_as_json_is_a_link_away(reader):
    seen = reader.page("/calculators/gravity?calculator=scales&sg=1.05")
    link = next(each["href"] for each in seen.each("a") if (each["href"] or "").startswith("/v1/"))
    assert reader.client.get(link).json()["result"]["plato"] == pytest.approx(12.397, abs=0.001)


def test_a_plan_is_laid_out_a_set_in_a_row():
    glass = {"code": "345", "arm": "control", "letter": "A", "is_reference": True}
    other = {"code": "678", "arm": "treatment", "letter": "B", "is_reference": False}
    sets = [{"presentation": number, "glasses": [glass, other], "right_choices": [["345"]]} for number in (1, 2)]
    (table,) = laid_out({"tasters": [{"taster": 1, "presentations": sets}]}).tables
    assert table.columns == ["Taster", "Presentation", "Glasses", "Right choices"]
    assert table.rows == [["1", each, "345 control A reference; 678 treatment B", "345"] for each in "12"]


def test_a_curve_is_shown_by_a_few_of_its_points():
    points = [{"at_h": float(at), "sg": 1.05} for at in range(60)]
    (table,) = laid_out({"curve": {"points": points}}).tables
    assert [table.rows[0][0], table.rows[-1][0], len(table.rows), table.left_out] == ["0 h", "59 h", 13, 47]


@pytest.mark.parametrize(
    ("result", "rows"),
    [
        ({"moderator": {"slope": {"estimate": None, "low": None}, "households": 0}}, [("Moderator", "none")]),
        ({"q": {"value": 0.0, "p_value": 1.0}}, [("Q: value", "0"), ("Q: p", "1")]),
        ({"interval": {"low": None, "high": None}}, [("Interval", "none")]),
        ({"d_prime": {"estimate": 1.5, "low": 0.5, "high": None}}, [("d′", "1.5 (0.5 to no upper limit)")]),
        ({"tau2": 0.00000937, "spread": {"sd": 0.5}}, [("τ²", "9.37 × 10⁻⁶"), ("Spread: SD", "0.5")]),
        ({"advice": "Pour less.", "load": {"advice": "Pour less."}}, [("Load: advice", "Pour less.")]),
    ],
)
def test_what_is_not_told_takes_one_row(result, rows):
    assert laid_out(result).rows == rows
