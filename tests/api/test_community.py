"""The calls of the community record, one after the other, as a household would make them."""

import re
from datetime import UTC, datetime

import pytest

from service.record.ledger import leaf_bytes
from service.record.merkle import leaf_hash
from tests.api.community import QUESTION, registration, replication

SECRET = re.compile(r"[A-Za-z0-9_-]{43}")


def test_a_contributor_is_made_and_their_token_is_shown_once(client):
    made = client.post("/v1/contributors", json={"display_name": "  Cellar mouse "})
    assert made.status_code == 201
    assert set(made.json()) == {"id", "display_name", "token"}
    assert made.json()["display_name"] == "Cellar mouse"
    assert SECRET.fullmatch(made.json()["token"])
    headers = {"Authorization": f"Bearer {made.json()['token']}"}
    me = client.get("/v1/me", headers=headers)
    assert me.status_code == 200
    assert me.json() | {"household": None} == {
        "id": made.json()["id"],
        "display_name": "Cellar mouse",
        "household": None,
        "is_steward": False,
    }
    assert made.json()["token"] not in me.text


def test_the_scheme_of_a_token_is_read_in_any_case(client, community):
    token = community.person().token
    assert client.get("/v1/me", headers={"Authorization": f"bearer  {token} "}).status_code == 200
    assert client.get("/v1/me", headers={"Authorization": f"Basic {token}"}).status_code == 401


def test_a_join_code_puts_two_people_in_one_kitchen(client, community):
    one, other = community.person(), community.person()
    asked = client.post("/v1/me/household", headers=one.headers, json={}).json()
    assert SECRET.fullmatch(asked["join_code"])
    joined = client.post("/v1/me/household", headers=other.headers, json={"join_code": asked["join_code"]}).json()
    assert joined == {"household": asked["household"], "join_code": None}
    homes = {client.get("/v1/me", headers=person.headers).json()["household"] for person in (one, other)}
    assert homes == {asked["household"]}


def test_a_join_code_that_nobody_gave_joins_nothing(client, community):
    person = community.person()
    before = client.get("/v1/me", headers=person.headers).json()["household"]
    refused = client.post("/v1/me/household", headers=person.headers, json={"join_code": "x" * 43})
    assert refused.status_code == 404
    assert client.get("/v1/me", headers=person.headers).json()["household"] == before


def test_two_people_of_one_kitchen_are_one_household_in_the_evidence(client, community):
    one, other = community.person(), community.person()
    code = client.post("/v1/me/household", headers=one.headers, json={}).json()["join_code"]
    client.post("/v1/me/household", headers=other.headers, json={"join_code": code})
    slug = community.asked(one)
    community.submitted(one, replication(slug, (5, 12)))
    community.submitted(other, replication(slug, (7, 12)))
    counted = community.evidence(slug)["counted"]
    assert (counted["replications"], counted["households"], counted["presentations"]) == (2, 1, 24)


def test_a_question_is_asked_and_read_back(client, community):
    person = community.person()
    asked = client.post("/v1/questions", headers=person.headers, json=QUESTION)
    assert asked.status_code == 201
    assert asked.json()["slug"] == "does-clearing-a-grain-wash-before-the-first-run-change-the-s"
    assert asked.headers["location"] == f"/v1/questions/{asked.json()['slug']}"
    expected = {
        "title": QUESTION["title"],
        "background": "",
        "factor": QUESTION["factor"],
        "stage": "distil",
        "status": "open",
        "arms": [
            {"key": "control", "label": "Left cloudy", "is_control": True, "description": ""},
            {"key": "treatment", "label": "Cleared for a week", "is_control": False, "description": ""},
        ],
    }
    assert expected.items() <= asked.json().items()
    read = client.get(asked.headers["location"]).json()
    assert expected.items() <= read.items()
    assert read["replications"] == read["households"] == 0
    assert read["answer"]
    again = client.post("/v1/questions", headers=person.headers, json=QUESTION).json()["slug"]
    assert again == f"{asked.json()['slug']}-2"


def test_a_slug_that_is_taken_is_a_conflict(client, community):
    person = community.person()
    slug = community.question(person)
    taken = client.post("/v1/questions", headers=person.headers, json=QUESTION | {"slug": slug})
    assert taken.status_code == 409


def test_questions_are_searched_and_narrowed(client, community):
    person = community.person()
    feeding = community.question(person, title="Does feeding in steps help?", stage="ferment")
    clearing = community.question(person, background="50% say_so")

    def found(**query):
        return [item["slug"] for item in client.get("/v1/questions", params=query).json()["items"]]

    assert found() == [clearing, feeding]
    assert found(search="STEPS feeding") == [feeding]
    assert found(search="feeding wash") == []
    assert found(search="%") == found(search="_") == [clearing]
    assert found(stage="ferment") == [feeding]
    assert found(status="open") == [clearing, feeding]
    assert found(status="closed") == found(status="merged") == []


def test_only_the_author_or_a_steward_publishes_a_protocol(client, community, steward):
    author, other = community.person(), community.person()
    slug = community.question(author)
    protocol = {"summary": "Run both.", "outcomes": [{"outcome": "perceivable_difference"}]}
    path = f"/v1/questions/{slug}/protocols"
    assert client.post(path, headers=other.headers, json=protocol).status_code == 403
    for version, by in enumerate((author, steward), start=1):
        published = client.post(path, headers=by.headers, json=protocol)
        assert published.status_code == 201
        assert published.json()["version"] == version
        assert published.headers["location"] == f"{path}/{version}"
        assert client.get(f"{path}/{version}").json() == published.json()
    assert [item["version"] for item in client.get(path).json()["items"]] == [1, 2]
    assert client.get(f"{path}/3").status_code == 404


def test_the_primary_outcome_is_frozen_at_the_first_version(client, community):
    author = community.person()
    slug = community.asked(author)
    other = {"summary": "Measure.", "outcomes": [{"outcome": "final_sg", "primary": True}]}
    refused = client.post(f"/v1/questions/{slug}/protocols", headers=author.headers, json=other)
    assert refused.status_code == 409


def test_a_replication_is_submitted_whole(client, community):
    person = community.person()
    slug = community.asked(person)
    document = replication(slug, (8, 12), kitchen="a shed")
    sent = client.post("/v1/replications", headers=person.headers, json=document)
    assert sent.status_code == 201
    body = sent.json()
    assert sent.headers["location"] == f"/v1/replications/{body['id']}"
    assert sent.headers["etag"] == '"r1"'
    assert (body["revision"], body["state"], body["kitchen"]) == (1, "submitted", "a shed")
    assert body["trials"] == document["trials"]
    assert body["plan"]["method"] == "triangle"
    assert body["report"]["summary"]
    read = client.get(sent.headers["location"])
    assert read.json() == body
    assert read.headers["etag"] == '"r1"'
    assert client.get(f"{sent.headers['location']}/report").json() == body["report"]
    listed = client.get("/v1/replications", params={"question": slug}).json()["items"]
    assert [item["id"] for item in listed] == [body["id"]]


def test_a_registration_is_nobodys_business_before_its_submission(client, community):
    person, other = community.person(), community.person()
    slug = community.asked(person)
    registered = community.submitted(person, registration(slug))
    path = f"/v1/replications/{registered['id']}"
    assert registered["state"] == "registered"
    assert datetime.fromisoformat(registered["registered_at"]) <= datetime.now(UTC)
    for address in (path, f"{path}/report", f"{path}/revisions"):
        assert client.get(address).status_code == 404
        assert client.get(address, headers=person.headers).status_code == 404
    assert client.post(f"{path}/submit", headers=other.headers).status_code == 404
    assert client.get("/v1/replications").json()["items"] == []
    mine = client.get("/v1/me/replications", headers=person.headers).json()["items"]
    assert [(item["id"], item["state"]) for item in mine] == [(registered["id"], "registered")]
    assert client.get("/v1/me/replications", headers=other.headers).json()["items"] == []


def test_a_registration_is_revised_and_submitted_with_its_plan_kept(client, community):
    person = community.person()
    slug = community.asked(person)
    registered = community.submitted(person, registration(slug, plan={"presentations": 18}))
    path = f"/v1/replications/{registered['id']}"
    assert registered["plan"]["presentations"] == 18
    whole = replication(slug, (8, 18))
    for another_plan in ({"presentations": 24}, {"significance": 0.2}):
        headers = person.headers | {"If-Match": '"r1"'}
        assert client.put(path, headers=headers, json=whole | {"plan": another_plan}).status_code == 409
    revised = client.put(path, headers=person.headers | {"If-Match": '"r1"'}, json=whole)
    assert revised.status_code == 200
    assert (revised.headers["etag"], revised.json()["state"]) == ('"r2"', "registered")
    submitted = client.post(f"{path}/submit", headers=person.headers)
    assert submitted.status_code == 200
    assert submitted.json()["state"] == "submitted"
    assert submitted.json()["plan"] == registered["plan"]
    assert submitted.json()["registered_at"] == registered["registered_at"]
    assert client.post(f"{path}/submit", headers=person.headers).status_code == 409
    assert client.get(path).json()["plan"] == registered["plan"]


def test_an_amendment_says_why_and_its_history_stays(client, community):
    person, other = community.person(), community.person()
    slug = community.asked(person)
    sent = community.submitted(person, replication(slug, (8, 12)))
    path = f"/v1/replications/{sent['id']}"
    amended = replication(slug, (7, 12))
    headers = person.headers | {"If-Match": '"r1"'}
    unexplained = client.put(path, headers=headers, json=amended)
    assert unexplained.status_code == 422
    assert unexplained.json()["errors"][0]["pointer"] == "/reason"
    explained = amended | {"reason": "one answer was read wrongly"}
    assert client.put(path, headers=other.headers | {"If-Match": '"r1"'}, json=explained).status_code == 403
    kept = client.put(path, headers=headers, json=explained)
    assert (kept.status_code, kept.headers["etag"], kept.json()["revision"]) == (200, '"r2"', 2)
    assert client.get(path).json() == kept.json()
    revisions = client.get(f"{path}/revisions").json()["items"]
    assert [(each["revision"], each["reason"]) for each in revisions] == [(1, None), (2, "one answer was read wrongly")]
    correct = [each["document"]["trials"][0]["assessors"][0]["correct"] for each in revisions]
    assert correct == [8, 7]
    assert community.evidence(slug)["perceivable_difference"]["correct"] == 7


def test_of_edits_made_at_once_from_one_revision_one_is_kept(client, community):
    person = community.person()
    slug = community.asked(person)
    path = f"/v1/replications/{community.submitted(person, registration(slug))['id']}"
    calls = [
        {
            "method": "PUT",
            "url": path,
            "headers": person.headers | {"If-Match": '"r1"'},
            "json": registration(slug, notes=f"edit {number}"),
        }
        for number in range(6)
    ]
    answers = client.together(calls)
    assert sorted(answer.status_code for answer in answers) == [200] + [412] * 5
    (kept,) = [answer.json() for answer in answers if answer.status_code == 200]
    (mine,) = client.get("/v1/me/replications", headers=person.headers).json()["items"]
    assert mine["revision"] == kept["revision"] == 2


def test_before_any_answer_a_withdrawal_takes_out(client, community):
    person = community.person()
    slug = community.asked(person)
    registered = community.submitted(person, registration(slug))
    path = f"/v1/replications/{registered['id']}"
    why = {"category": "mixed_up", "reason": "the buckets were swapped"}
    withdrawn = client.post(f"{path}/withdraw", headers=person.headers, json=why)
    assert (withdrawn.status_code, withdrawn.json()["state"]) == (200, "withdrawn")
    assert client.get(path).status_code == 404
    assert community.evidence(slug)["counted"]["started"] == 1
    assert client.post(f"{path}/submit", headers=person.headers).status_code == 409


def test_after_submission_a_withdrawal_is_only_asked_for(client, community):
    person = community.person()
    slug = community.asked(person)
    sent = community.submitted(person, replication(slug, (8, 12)))
    path = f"/v1/replications/{sent['id']}"
    why = {"category": "not_blind", "reason": "the labels were seen"}
    asked = client.post(f"{path}/withdraw", headers=person.headers, json=why)
    assert (asked.status_code, asked.json()["state"], asked.json()["withdrawal_asked"]) == (200, "submitted", True)
    assert client.get(path).json()["withdrawal_asked"] is True
    evidence = community.evidence(slug)
    assert evidence["counted"]["replications"] == 1
    assert "withdrawal_asked" in evidence["perceivable_difference"]["studies"][0]["flags"]
    assert client.post(f"{path}/withdraw", headers=person.headers, json=why).status_code == 409


def test_a_check_reports_as_a_submission_would_and_keeps_nothing(client, community):
    person = community.person()
    slug = community.asked(person)
    document = replication(slug, (8, 12))
    size = client.get("/v1/ledger/head").json()["size"]
    checked = client.post("/v1/replications/check", json=document)
    assert checked.status_code == 200
    assert client.get("/v1/ledger/head").json()["size"] == size
    assert client.get("/v1/replications").json()["items"] == []
    assert checked.json() == community.submitted(person, document)["report"]


def test_an_impression_is_counted_apart(client, community):
    person = community.person()
    slug = community.asked(person)
    left = client.post(
        f"/v1/questions/{slug}/reports", headers=person.headers, json={"leans": "treatment", "text": "rounder"}
    )
    assert left.status_code == 201
    assert left.json() | {"id": None} == {"id": None, "question": slug, "leans": "treatment", "text": "rounder"}
    counted = community.evidence(slug)["counted"]
    assert counted["unblinded_reports"] == {"control": 0, "treatment": 1, "neither": 0}
    assert counted["replications"] == 0


def test_the_ledger_has_every_write_in_order_and_hashes_it_as_the_contract_says(client, community):
    person = community.person()
    slug = community.asked(person)
    sent = community.submitted(person, replication(slug))
    entries = client.get("/v1/ledger").json()["items"]
    assert [entry["position"] for entry in entries] == [1, 2, 3]
    assert [entry["kind"] for entry in entries] == ["question", "protocol", "submission"]
    assert entries[2]["subject"] == sent["id"]
    for entry in entries:
        at = datetime.fromisoformat(entry["at"])
        leaf = leaf_bytes(**{name: entry[name] for name in ("position", "kind", "subject", "content_hash")}, at=at)
        assert entry["leaf_hash"] == leaf_hash(leaf).hex()
    head = client.get("/v1/ledger/head").json()
    assert (head["size"], head["at"]) == (3, entries[2]["at"])
    assert client.get("/v1/ledger", params={"after": 2}).json()["items"] == entries[2:]
    assert client.get("/v1/ledger", params={"after": 3}).json() == {"items": [], "next": None}


def test_the_version_counts_what_the_record_holds(client, community):
    empty = client.get("/v1/version").json()
    assert (empty["data_at"], empty["counts"]["ledger_entries"]) == (None, 0)
    person = community.person()
    slug = community.asked(person)
    community.submitted(person, replication(slug))
    community.submitted(person, registration(slug))
    version = client.get("/v1/version").json()
    assert version["counts"] == {"questions": 1, "replications": 1, "households": 1, "ledger_entries": 4}
    assert version["data_at"] == client.get("/v1/ledger/head").json()["at"]
    assert version["software"].startswith("manybatch ")
    assert {"schema_revision", "method_version"} <= set(version)


@pytest.mark.parametrize("path", ["/health/live", "/health/ready"])
def test_health(client, path):
    assert client.get(path).status_code == 200
