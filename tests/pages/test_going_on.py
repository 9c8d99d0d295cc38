"""A replication's whole life from a browser: planned, saved, reported, amended, withdrawn."""

import json

import pytest

from tests.api.community import replication
from tests.pages.reader import Reader
from tests.pages.test_submitting import SPIRIT, filled, kept_by

LOGGED = {
    "kitchen": "a shed",
    "conditions": {"still": "pot"},
    "batches": [
        {
            "arm": "control",
            "batch": "jar 1",
            "original_sg": 1.064,
            "final_sg": 1.004,
            "notes": "frothed over",
            "readings": [{"at_h": hour, "sg": 1.064 - hour / 2000} for hour in (0, 24, 48, 96)],
        },
        {"arm": "treatment", "batch": "jar 2", "original_sg": 1.064, "final_sg": 1.006, "measured": {"haze": 3}},
    ],
}


@pytest.fixture
def slug(village):
    return village.asked(village.person(), **SPIRIT)


@pytest.fixture
def owner(village):
    return village.person()


@pytest.fixture
def mine(reader, owner) -> Reader:
    """Give the owner's own browser."""
    assert reader.send("/take-part/sign-in", {"token": owner.token}).status_code == 303
    return reader


@pytest.fixture
def submitted(village, owner, slug) -> str:
    return village.submitted(owner, replication(slug, (8, 12), **LOGGED))["id"]


@pytest.fixture
def registered(village, owner, slug) -> str:
    return village.submitted(owner, {"question": slug, "protocol_version": 1, "state": "registered"})["id"]


def document_of(reader, owner, replication_id) -> dict:
    answer = reader.client.get(f"/v1/replications/{replication_id}", headers=owner.headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


def own(replication_id: str) -> str:
    return f"/take-part/replications/{replication_id}"


def ledger(reader) -> int:
    return reader.client.get("/v1/ledger/head").json()["size"]


def test_each_thing_that_can_be_done_is_a_link_away(mine, submitted, registered):
    links = {link["href"] for link in mine.page("/take-part").each("a")}
    assert {f"{own(registered)}{end}" for end in ("", "/trials", "/withdraw")} <= links
    assert {own(submitted), f"{own(submitted)}/withdraw", f"/replications/{submitted}"} <= links
    assert f"{own(submitted)}/trials" not in links


def test_an_amendment_says_why_and_is_seen_before_it_is_kept(mine, owner, submitted):
    size = ledger(mine)
    form = mine.page(own(submitted))
    fields = dict(form.fields) | {"act": "check", "batches.1.final_sg": "1.005"}
    seen = mine.sent(own(submitted), fields, 422)
    assert [each["name"] for each in seen.each("input") if each.get("aria-invalid")] == ["reason"]
    seen = mine.sent(own(submitted), {**fields, "reason": "the second jar was read again"})
    assert "the second jar was read again" in seen.text
    assert "what stood before stays readable" in seen.text
    assert ledger(mine) == size
    again = kept_by(seen)
    first, second = (mine.send("/take-part/confirm", again) for _ in range(2))
    assert first.headers["location"] == second.headers["location"] == f"/replications/{submitted}"
    kept = document_of(mine, owner, submitted)
    assert kept["revision"] == 2
    assert kept["batches"][1]["final_sg"] == 1.005
    assert "the second jar was read again" in mine.page(f"/replications/{submitted}").text


def test_what_the_form_has_no_field_for_is_carried_along(mine, owner, submitted):
    before = document_of(mine, owner, submitted)
    fields = dict(mine.page(own(submitted)).fields) | {"act": "check", "reason": "spelling"}
    review = mine.sent(own(submitted), fields)
    changed = mine.sent(own(submitted), kept_by(review, act="edit"))
    assert changed.field("reason") == "spelling"
    review = mine.sent(own(submitted), dict(changed.fields) | {"act": "check"})
    assert mine.send("/take-part/confirm", kept_by(review)).status_code == 303
    after = document_of(mine, owner, submitted)
    for name in ("batches", "conditions", "kitchen", "trials", "plan"):
        assert after[name] == before[name]


def test_a_condition_is_changed_where_it_stands(mine, owner, submitted):
    fields = dict(mine.page(own(submitted)).fields)
    assert fields["condition.1.name"] == "still"
    changes = {"act": "check", "reason": "it had a plate", "condition.1.value": "plated"}
    assert mine.send("/take-part/confirm", kept_by(mine.sent(own(submitted), fields | changes))).status_code == 303
    assert document_of(mine, owner, submitted)["conditions"] == {"still": "plated"}


def test_an_amendment_of_what_has_changed_meanwhile_is_refused_and_loses_nothing(mine, owner, submitted):
    fields = dict(mine.page(own(submitted)).fields) | {"act": "check", "reason": "one", "notes": "my long story"}
    body = replication(document_of(mine, owner, submitted)["question"], (8, 12), **LOGGED, reason="another")
    put = mine.client.put(f"/v1/replications/{submitted}", json=body, headers={**owner.headers, "If-Match": '"r1"'})
    assert put.status_code == 200, put.text
    seen = mine.sent(own(submitted), fields, 422)
    assert seen.field("notes") == "my long story"
    assert document_of(mine, owner, submitted)["revision"] == 2


def test_work_is_saved_and_submitted_later(mine, owner, registered):
    form = mine.page(own(registered))
    typed = {"batches.0.original_sg": "1.060", "batches.1.original_sg": "1.061"}
    seen = mine.sent(own(registered), dict(form.fields) | typed | {"act": "save"})
    assert "Nobody else sees it until you submit it" in seen.text
    answer = mine.send("/take-part/confirm", kept_by(seen))
    assert answer.headers["location"] == "/take-part"
    assert mine.client.get(f"/v1/replications/{registered}").status_code == 404
    form = mine.page(own(registered))
    assert form.field("batches.1.original_sg") == "1.061"
    seen = mine.sent(own(registered), filled(form))
    assert mine.send("/take-part/confirm", kept_by(seen)).headers["location"] == f"/replications/{registered}"
    assert document_of(mine, owner, registered)["state"] == "submitted"


def test_a_replication_is_amended_as_a_document(mine, owner, submitted):
    place = mine.page(f"{own(submitted)}/document")
    document = json.loads(place.field("document"))
    document["batches"].append({"arm": "control", "batch": "jar 3", "original_sg": 1.063, "final_sg": 1.003})
    fields = dict(place.fields) | {"document": json.dumps(document), "act": "check"}
    assert "say what is amended and why" in mine.sent(f"{own(submitted)}/document", fields, 422).text
    seen = mine.sent(f"{own(submitted)}/document", {**fields, "reason": "a third jar was forgotten"})
    assert mine.send("/take-part/confirm", kept_by(seen)).status_code == 303
    assert len(document_of(mine, owner, submitted)["batches"]) == 3


def test_a_document_too_long_for_a_form_is_mended_as_a_document(mine, village, owner, slug):
    batch = {"original_sg": 1.064, "readings": [{"at_h": hour, "sg": 1.05} for hour in range(400)]}
    batches = [{**batch, "arm": arm, "batch": arm} for arm in ("control", "treatment")]
    made = village.submitted(owner, replication(slug, (8, 12), batches=batches))["id"]
    answer = mine.get(own(made))
    assert answer.status_code == 303
    assert answer.headers["location"] == f"{own(made)}/document"
    assert len(json.loads(mine.page(answer.headers["location"]).field("document"))["batches"]) == 2


def test_a_plan_is_withdrawn_before_any_answer(mine, registered):
    place = mine.page(f"{own(registered)}/withdraw")
    wrong = mine.sent(f"{own(registered)}/withdraw", dict(place.fields) | {"reason": "the jar broke"}, 422)
    assert wrong.field("reason") == "the jar broke"
    fields = dict(place.fields) | {"category": "mixed_up", "reason": "the jar broke"}
    assert mine.send(f"{own(registered)}/withdraw", fields).headers["location"] == "/take-part"
    assert "withdrawn" in mine.page("/take-part").text
    mine.page(own(registered), 409)


def test_a_result_is_only_asked_back_and_is_shown_first(mine, submitted):
    place = mine.page(f"{own(submitted)}/withdraw")
    assert "8 times in 12" in place.text
    fields = dict(place.fields) | {"category": "mixed_up", "reason": "the jars were swapped"}
    assert mine.send(f"{own(submitted)}/withdraw", fields).status_code == 303
    assert "a steward decides" in mine.page("/take-part").text
    assert "Its owner has asked to withdraw it" in mine.page(f"/replications/{submitted}").text
    assert "stands in the way" not in mine.sent(f"{own(submitted)}/withdraw", fields, 422).text


def test_somebody_elses_replication_is_nobody_elses_to_change(reader, submitted, registered):
    mark = reader.begin()
    for page in ("", "/document", "/withdraw"):
        assert reader.get(f"{own(registered)}{page}").status_code == 404
        assert reader.get(f"{own(submitted)}{page}").status_code == 403
        assert reader.send(f"{own(submitted)}{page}", {"mark": mark, "reason": "mine"}).status_code == 403


@pytest.mark.parametrize(
    "changes", [{"intent": "none"}, {"intent": "amend", "about": ""}, {"about": "x"}, {"intent": "submit"}, {"key": ""}]
)
def test_a_form_that_isnt_ours_keeps_nothing(mine, submitted, changes):
    fields = dict(mine.page(own(submitted)).fields) | {"act": "check", "reason": "spelling"}
    review = kept_by(mine.sent(own(submitted), fields))
    size = ledger(mine)
    assert mine.send("/take-part/confirm", {**review, **changes}).status_code in {400, 404}
    assert mine.send("/take-part/confirm", {**review, "reason": "x" * 300}).status_code == 422
    assert ledger(mine) == size


def test_an_impression_is_left_once_and_counted_apart(mine, slug):
    assert f"/questions/{slug}/impression" in [link["href"] for link in mine.page(f"/questions/{slug}").each("a")]
    place = mine.page(f"/questions/{slug}/impression")
    fields = dict(place.fields)
    assert mine.sent(f"/questions/{slug}/impression", {**fields, "leans": ""}, 422).text
    fields |= {"leans": "treatment", "text": "rounder"}
    for _ in range(2):
        assert mine.send(f"/questions/{slug}/impression", fields).headers["location"] == f"/questions/{slug}"
    counted = mine.client.get(f"/v1/questions/{slug}/evidence").json()["counted"]["unblinded_reports"]
    assert counted == {"control": 0, "treatment": 1, "neither": 0}
