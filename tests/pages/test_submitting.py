import json

import pytest

from service.pages.prose import prose
from tests.api.community import replication

SPIRIT = {
    "measurements": ["original_sg", "final_sg", "ph_end", "spirit.tasting_abv_percent"],
    "held_constant": [{"key": "pitch_c", "target": 20, "tolerance": 2}, {"key": "yeast", "target": "wine yeast"}],
    "descriptors": ["fruity"],
    "outcomes": [{"outcome": "perceivable_difference", "primary": True}, {"outcome": "preference"}],
}
RESULT = {
    "batches.0.original_sg": "1.064",
    "batches.0.final_sg": "1.004",
    "batches.1.original_sg": "1.064",
    "batches.1.final_sg": "1.006",
    "batches.0.pitch_c": "68 degF",
    "batches.0.measured.ph_end": "3.4",
    "batches.0.spirit.tasting_abv_percent": "20",
    "trials.0.tasted_on": "2026-05-01",
    "trials.0.told_during": "false",
    "trials.0.key_held_by": "helper",
    "trials.0.assessors.1.assessor": "p1",
    "trials.0.assessors.1.presented": "12",
    "trials.0.assessors.1.correct": "9",
    "trials.0.preferred.control": "3",
    "trials.0.descriptors.0.term": "fruity",
    "trials.0.descriptors.0.both": "2",
    "condition.1.name": "Still",
    "condition.1.value": "pot",
    "condition.2.name": "plates",
    "condition.2.value": "0",
    "notes": "Rained.",
}


@pytest.fixture
def slug(village):
    return village.asked(village.person(), **SPIRIT)


def filled(seen, **changes):
    """The form as it was shown, filled in."""
    shown = {name: value for name, value in seen.fields if name}
    return {**shown, **RESULT, "act": "check", **{name.replace("__", "."): value for name, value in changes.items()}}


def kept_by(seen, **changes):
    """What a review's button sends."""
    return {name: value for name, value in seen.fields if name and name != "token"} | changes


def reviewed(reader, slug, **changes):
    form = reader.page(f"/questions/{slug}/take-part")
    return reader.sent(f"/questions/{slug}/take-part", filled(form, **changes))


def started(reader) -> str:
    """The address at which one goes on with what one has started."""
    links = [link["href"] for link in reader.page("/take-part").each("a")]
    return next(link for link in links if link.startswith("/take-part/replications/"))


def test_the_form_asks_what_the_protocol_asks(reader, slug):
    names = [name for name, _ in reader.page(f"/questions/{slug}/take-part").fields]
    for index in (0, 1):
        for name in ("original_sg", "final_sg", "measured.ph_end", "spirit.tasting_abv_percent", "pitch_c"):
            assert f"batches.{index}.{name}" in names
    assert "trials.0.preferred.control" in names
    assert "trials.0.descriptors.0.term" in names
    assert "yeast" in dict(reader.page(f"/questions/{slug}/take-part").fields).values()


def test_a_report_is_seen_before_anything_is_kept(reader, slug):
    seen = reviewed(reader, slug)
    assert "Nothing has been kept yet" in seen.text
    assert "You found the odd glass 9 times in 12." in seen.text
    document = json.loads(seen.field("document"))
    assert document["conditions"] == {"still": "pot", "plates": 0}
    assert document["batches"][0]["pitch_c"] == 20
    assert document["batches"][0]["measured"] == {"ph_end": 3.4}
    assert document["trials"][0]["assessors"] == [{"assessor": "p1", "presented": 12, "correct": 9}]
    assert document["trials"][0]["descriptors"] == [{"term": "fruity", "both": 2}]
    assert reader.client.get("/v1/replications").json()["items"] == []


def test_the_report_is_the_interfaces_own(reader, slug):
    seen = reviewed(reader, slug)
    checked = reader.client.post("/v1/replications/check", json=json.loads(seen.field("document"))).json()
    for sentence in [*checked["summary"], *(each["detail"] for each in checked["deviations"])]:
        assert " ".join(prose(sentence).split())[1:] in seen.text


def test_what_was_confirmed_is_kept_once(reader, slug):
    mark = reader.begin()
    seen = reviewed(reader, slug)
    fields = kept_by(seen, mark=mark)
    first, again = (reader.send("/take-part/confirm", fields) for _ in range(2))
    assert first.status_code == again.status_code == 303
    assert first.headers["location"] == again.headers["location"]
    assert "9 right of 12" in reader.page(f"/questions/{slug}").text
    assert "Rained." in reader.page(first.headers["location"]).text
    assert len(reader.client.get("/v1/replications").json()["items"]) == 1


def test_an_error_is_shown_beside_its_field_and_mended(reader, slug):
    form = reader.page(f"/questions/{slug}/take-part")
    wrong = filled(form, batches__1__final_sg="1.600", trials__0__assessors__1__correct="13")
    seen = reader.sent(f"/questions/{slug}/take-part", wrong, 422)
    invalid = [each["name"] for each in seen.each("input") if each.get("aria-invalid")]
    assert invalid == ["batches.1.final_sg", "trials.0.assessors.0.correct"]
    for name in invalid:
        assert f"#f-{name.replace('.', '-')}" in [link.get("href") for link in seen.each("a")]
    kept = dict(seen.fields)
    assert kept["batches.0.original_sg"] == "1.064"
    assert kept["condition.1.value"] == "pot"
    mended = {**kept, "batches.1.final_sg": "1.006", "trials.0.assessors.0.correct": "9", "act": "check"}
    assert "Nothing has been kept yet" in reader.sent(f"/questions/{slug}/take-part", mended).text


def test_what_was_reviewed_can_be_changed(reader, slug):
    seen = reviewed(reader, slug)
    again = reader.sent(f"/questions/{slug}/take-part", {"document": seen.field("document"), "act": "edit"})
    assert again.field("batches.0.final_sg") == "1.004"
    assert again.field("condition.1.name") == "still"


def test_whoever_is_not_signed_in_can_send_with_a_token(reader, slug, village):
    person = village.person()
    seen = reviewed(reader, slug)
    fields = kept_by(seen)
    assert reader.send("/take-part/confirm", fields).status_code == 401
    assert reader.send("/take-part/confirm", {**fields, "token": "nobodys"}).status_code == 401
    answer = reader.send("/take-part/confirm", {**fields, "token": person.token})
    assert answer.status_code == 303
    assert "manybatch=" in answer.headers["set-cookie"]


def test_a_plan_is_stamped_and_its_result_reported_later(reader, slug):
    mark = reader.begin()
    plan = reader.sent(f"/questions/{slug}/take-part", {"act": "register"})
    assert "before it is stamped" in plan.text
    fields = kept_by(plan, mark=mark)
    assert reader.send("/take-part/confirm", fields).headers["location"] == "/take-part"
    link = next(
        link["href"]
        for link in reader.page("/take-part").each("a")
        if link["href"].startswith("/take-part/replications/")
    )
    form = reader.page(link)
    seen = reader.sent(link, filled(form, trials__0__tasted_on="2199-01-01"))
    assert "wasn't registered" not in seen.text
    assert "provided you fixed" not in seen.text
    fields = kept_by(seen, mark=mark)
    answer = reader.send("/take-part/confirm", fields)
    assert answer.status_code == 303
    assert "registered" in reader.page(f"/questions/{slug}").text
    assert reader.page(answer.headers["location"])


def test_looking_ahead_keeps_nothing(reader, slug):
    mark = reader.begin()
    plan = reader.sent(f"/questions/{slug}/take-part", {"act": "register"})
    reader.send("/take-part/confirm", kept_by(plan, mark=mark))
    link = next(
        link["href"]
        for link in reader.page("/take-part").each("a")
        if link["href"].startswith("/take-part/replications/")
    )
    before = reader.client.get("/v1/ledger/head").json()
    reader.sent(link, filled(reader.page(link)))
    assert reader.client.get("/v1/ledger/head").json() == before


def test_somebody_elses_plan_is_not_found(reader, slug, village):
    owner = village.person()
    made = village.submitted(owner, {"question": slug, "protocol_version": 1, "state": "registered"})
    reader.begin()
    assert reader.get(f"/take-part/replications/{made['id']}").status_code == 404


def test_a_document_is_pasted_or_sent_as_a_file(reader, slug):
    document = json.dumps(replication(slug, (9, 12)))
    pasted = reader.sent("/take-part/document", {"document": document})
    assert "Nothing has been kept yet" in pasted.text
    uploaded = reader.client.post(
        "/take-part/document",
        files={"file": ("mine.json", b"\xef\xbb\xbf" + document.encode(), "application/json")},
        data={"document": ""},
        headers={"Accept": "text/html"},
    )
    assert uploaded.status_code == 200
    assert "Nothing has been kept yet" in uploaded.text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"question": NaN}', "/question"),
        ("{", "line 1"),
        ("[]", "one JSON object"),
        ('{"question": "none", "protocol_version": 1}', "/question"),
        ('{"question": "x", "protocol_version": "one"}', "/protocol_version"),
    ],
)
def test_a_document_that_cannot_be_taken_says_where(reader, slug, text, said):
    seen = reader.sent("/take-part/document", {"document": text}, 422)
    assert said in seen.text
    assert seen.field("document") == text


def test_a_file_that_is_no_text_is_refused(reader):
    answer = reader.client.post(
        "/take-part/document", files={"file": ("x.json", b"\xff\xfe\x00")}, headers={"Accept": "text/html"}
    )
    assert answer.status_code == 400
    assert answer.headers["content-type"].startswith("text/html")


def test_a_vessel_that_had_not_finished_counts_by_which_was_first(reader, village):
    slug = village.asked(village.person(), outcomes=[{"outcome": "days_to_finish"}])
    mark = reader.begin()
    form = reader.page(f"/questions/{slug}/take-part")
    assert (
        "days after pitching at which it was last seen still fermenting. Days to finish is then left out." in form.text
    )
    days = {"batches__0__days_to_finish": "8", "batches__1__days_to_finish": "9"}
    wrong = filled(form, **days, batches__1__still_going_at_days="12")
    seen = reader.sent(f"/questions/{slug}/take-part", wrong, 422)
    assert [each["name"] for each in seen.each("input") if each.get("aria-invalid")] == [
        "batches.1.still_going_at_days"
    ]
    assert "Vessel 2: still going at" in seen.text
    assert "give only one: Days to finish, or this for a vessel that was still going" in seen.text
    mended = {**dict(seen.fields), "batches.1.days_to_finish": "", "act": "check"}
    report = reader.sent(f"/questions/{slug}/take-part", mended)
    answer = reader.send("/take-part/confirm", kept_by(report, mark=mark))
    kept = reader.page(answer.headers["location"])
    assert "the control took 8 days, the treatment was still going at 12." in kept.text
    assert "Still going at 12 days" in kept.text
    assert "days to finish can only be counted by which arm finished first" in reader.page(f"/questions/{slug}").text
