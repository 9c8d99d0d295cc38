import pytest

from tests.api.test_access_matrix_of_pages import ASKED
from tests.pages.test_escaping import CORPUS, assert_is_only_text

ADDRESS = "/take-part/ask"
WHOLE = ASKED | {
    "question.arms.0.description": "Stands at 20 °C.",
    "question.arms.2.label": "Cellar",
    "protocol.steps": "Part one must, and stopper loosely.\nKeep each half in its room.",
    "protocol.split_point": "must",
    "protocol.held_constant.0.key": "Pitch C",
    "protocol.held_constant.0.target": "68 degF",
    "protocol.measurements": "original_sg\nfinal_sg\nOn two days, by one reader",
    "protocol.outcomes.0.smallest_difference_that_matters": "0.002",
    "protocol.outcomes.1.outcome": "perceivable_difference",
    "protocol.trial.method": "triangle",
    "protocol.trial.presentations": "12",
    "protocol.descriptors": "fruity, sharp",
}


def filled(reader, **changes):
    """The form as it is shown to whoever is signed in, filled in."""
    form = {name: value for name, value in reader.page(ADDRESS).fields if name}
    return form | WHOLE | {name.replace("__", "."): value for name, value in changes.items()}


def kept(reader) -> list[dict]:
    return reader.client.get("/v1/questions").json()["items"]


def test_who_is_not_signed_in_is_told_where(reader):
    seen = reader.page(ADDRESS)
    assert not seen.each("form")
    assert "/take-part?back=/take-part/ask" in [link["href"] for link in seen.each("a")]
    reader.begin()
    assert reader.page(ADDRESS).field("question.title") == ""


def test_a_question_is_asked_with_its_protocol_once(reader):
    reader.begin()
    fields = filled(reader)
    first, again = (reader.send(ADDRESS, fields) for _ in range(2))
    assert first.status_code == again.status_code == 303
    assert first.headers["location"] == again.headers["location"] == "/questions/does-a-colder-room-change-a-mead"
    (question,) = kept(reader)
    assert [(arm["key"], arm["label"], arm["is_control"]) for arm in question["arms"]] == [
        ("control", "Warm room", True),
        ("treatment", "Cold room", False),
        ("treatment-2", "Cellar", False),
    ]
    protocol = reader.client.get(f"/v1/questions/{question['slug']}/protocols/1").json()
    assert protocol["steps"] == ["Part one must, and stopper loosely.", "Keep each half in its room."]
    assert protocol["measurements"] == ["original_sg", "final_sg", "On two days, by one reader"]
    assert protocol["descriptors"] == ["fruity", "sharp"]
    assert protocol["split_point"] == "must"
    assert [(each["key"], each["target"]) for each in protocol["held_constant"]] == [("pitch_c", 20)]
    assert [goal["outcome"] for goal in protocol["outcomes"]] == ["final_sg", "perceivable_difference"]
    trial = protocol["trial"]
    assert (trial["method"], trial["control"], trial["treatment"]) == ("triangle", "control", "treatment")
    assert "Keep each half in its room." in reader.page(first.headers["location"]).text
    assert reader.page(f"{first.headers['location']}/take-part").field("batches.1.batch") == "Cold room"


def test_nothing_is_tasted_where_no_trial_is_named(reader):
    reader.begin()
    untasted = {"protocol__trial__method": "", "protocol__trial__presentations": ""}
    assert reader.send(ADDRESS, filled(reader, **untasted)).status_code == 303
    assert reader.client.get(f"/v1/questions/{kept(reader)[0]['slug']}/protocols/1").json()["trial"] is None


@pytest.mark.parametrize(
    ("changes", "place", "said"),
    [
        ({"question__title": ""}, "question.title", "this field is needed"),
        ({"question__stage": "cellar"}, "question.stage", "should be"),
        (
            {"question__arms__1__label": "", "question__arms__2__label": ""},
            "question.arms",
            "The ways of doing it : fill in at least 2",
        ),
        ({"protocol__outcomes__1__outcome": "final_sg"}, "protocol.outcomes", "an outcome is named twice"),
        ({"protocol__trial__presentations": "none"}, "protocol.trial.presentations", "Sets of glasses"),
        ({"protocol__held_constant__0__target": "x"}, "protocol.held_constant.0", "Condition 1 :"),
        ({"protocol__held_constant__1__tolerance": "x"}, "protocol.held_constant.1.tolerance", "write a number"),
    ],
)
def test_what_is_wrong_is_said_beside_it_and_nothing_is_kept(reader, changes, place, said):
    reader.begin()
    seen = reader.sent(ADDRESS, filled(reader, **changes), 422)
    assert said in seen.text
    target = f"f-{place.replace('.', '-')}"
    assert f"#{target}" in [link.get("href") for link in seen.each("a")]
    assert target in [given.get("id") for _, given in seen.elements]
    assert seen.field("protocol.steps") == WHOLE["protocol.steps"]
    assert kept(reader) == []
    mended = dict(seen.fields) | WHOLE | {"protocol.held_constant.1.tolerance": ""}
    assert reader.send(ADDRESS, mended).status_code == 303


def test_what_is_typed_is_shown_again_as_text(reader, subtests):
    mark = reader.begin()
    for text in CORPUS:
        with subtests.test(text):
            fields = {**dict.fromkeys(WHOLE, text), "question.arms.1.key": text, "mark": mark, "key": "one"}
            answer = reader.send(ADDRESS, fields)
            assert answer.status_code == 422
            assert_is_only_text(answer)


def test_an_empty_form_says_what_is_needed(reader):
    mark = reader.begin()
    seen = reader.sent(ADDRESS, {"mark": mark, "key": "one"}, 422)
    for place in ("question-title", "question-factor", "question-stage", "protocol-summary", "protocol-outcomes"):
        assert f"#f-{place}" in [link.get("href") for link in seen.each("a")]
