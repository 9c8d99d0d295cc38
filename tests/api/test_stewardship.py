"""What stewards decide, what it changes, and what it leaves as it was."""

import uuid

import pytest

from tests.api.community import registration, replication

REASON = {"category": "mixed_up", "reason": "the buckets were swapped"}


def test_a_retraction_takes_a_result_out_and_shows_the_answer_with_it(client, community, steward):
    person = community.person()
    slug = community.asked(person)
    first = community.submitted(person, replication(slug, (11, 12)))
    community.submitted(community.person(), replication(slug, (4, 12)))
    before = community.evidence(slug)
    done = client.post(f"/v1/replications/{first['id']}/retract", json=REASON, headers=steward.headers)
    assert done.status_code == 200
    assert (done.json()["id"], done.json()["state"]) == (first["id"], "retracted")
    after = community.evidence(slug)
    assert after["counted"]["replications"] == 1
    assert {"reason": "retracted", "count": 1} in after["counted"]["left_out"]
    shown_with = after["perceivable_difference"]["robustness"]["with_retracted"]
    assert shown_with["presentations"] == before["perceivable_difference"]["presentations"]
    assert community.evidence(slug, as_of=before["as_of"]["position"]) == before
    assert client.get(f"/v1/replications/{first['id']}").json()["state"] == "retracted"
    again = client.post(f"/v1/replications/{first['id']}/retract", json=REASON, headers=steward.headers)
    assert again.status_code == 409


def test_what_was_never_submitted_can_be_retracted_and_stays_unknown(client, community, steward):
    person = community.person()
    slug = community.asked(person)
    begun = community.submitted(person, registration(slug, notes="between us"))
    done = client.post(f"/v1/replications/{begun['id']}/retract", json=REASON, headers=steward.headers)
    assert done.status_code == 200
    assert "between us" not in done.text
    assert client.get(f"/v1/replications/{begun['id']}").status_code == 404


@pytest.mark.parametrize(
    "body", [{}, {"category": "disliked", "reason": "x"}, {"category": "duplicate"}, {**REASON, "more": 1}]
)
def test_a_retraction_needs_a_category_and_a_reason(client, community, steward, body):
    person = community.person()
    kept = community.submitted(person, replication(community.asked(person)))
    answer = client.post(f"/v1/replications/{kept['id']}/retract", json=body, headers=steward.headers)
    assert answer.status_code == 422


def test_merged_questions_have_one_answer(client, community, steward):
    person = community.person()
    slug, into = community.asked(person), community.asked(person)
    community.submitted(person, replication(slug, (8, 12)))
    community.submitted(community.person(), replication(into, (5, 12)))
    before = community.evidence(slug)
    done = client.post(
        f"/v1/questions/{slug}/merge", json={"into": into, "reason": "the same"}, headers=steward.headers
    )
    assert done.status_code == 200
    assert done.json()["status"] == "merged"
    assert done.json()["links"]["merged_into"] == f"/v1/questions/{into}"
    shown = client.get(f"/v1/questions/{slug}").json()
    assert (shown["status"], shown["links"]["merged_into"]) == ("merged", f"/v1/questions/{into}")
    assert community.evidence(into)["counted"]["replications"] == 2
    assert community.evidence(slug)["counted"]["replications"] == 0
    assert community.evidence(slug, as_of=before["as_of"]["position"]) == before
    refused = client.post("/v1/replications", json=replication(slug), headers=person.headers)
    assert refused.status_code == 409


@pytest.mark.parametrize(("into", "status"), [("itself", 409), ("none", 422), ("other arms", 409), ("merged", 409)])
def test_questions_that_are_not_alike_stay_apart(client, community, steward, into, status):
    person = community.person()
    slug = community.asked(person)
    if into == "itself":
        into = slug
    elif into == "other arms":
        arms = [{"key": "usual", "label": "Usual", "is_control": True}, {"key": "new", "label": "New"}]
        into = community.question(person, arms=arms)
    elif into == "merged":
        into, third = community.asked(person), community.asked(person)
        body = {"into": third, "reason": "the same"}
        assert client.post(f"/v1/questions/{into}/merge", json=body, headers=steward.headers).status_code == 200
    answer = client.post(f"/v1/questions/{slug}/merge", json={"into": into, "reason": "so"}, headers=steward.headers)
    assert answer.status_code == status
    if status == 422:
        assert answer.json()["errors"][0]["pointer"] == "/into"


def test_a_vouched_contributor_counts_as_such_from_then_on(client, community, steward):
    person = community.person()
    slug = community.asked(person)
    community.submitted(person, replication(slug))
    before = community.evidence(slug, vouched="true")
    done = client.post(f"/v1/contributors/{person.id}/vouch", headers=steward.headers)
    assert done.status_code == 200
    assert (done.json()["id"], done.json()["vouched"]) == (person.id, True)
    assert before["counted"]["replications"] == 0
    after = community.evidence(slug, vouched="true")
    assert after["counted"]["replications"] == 1
    assert after["as_of"]["position"] == done.json()["position"]
    assert client.post(f"/v1/contributors/{person.id}/vouch", headers=steward.headers).status_code == 409
    assert client.post(f"/v1/contributors/{uuid.uuid4()}/vouch", headers=steward.headers).status_code == 404
    assert client.post("/v1/contributors/nobody/vouch", headers=steward.headers).status_code == 404


def test_a_decision_sent_twice_with_its_key_is_made_once(client, community, steward):
    person = community.person()
    kept = community.submitted(person, replication(community.asked(person)))
    headers = {**steward.headers, "Idempotency-Key": "once"}
    path = f"/v1/replications/{kept['id']}/retract"
    first, second = (client.post(path, json=REASON, headers=headers) for _ in range(2))
    assert first.json() == second.json()
    assert second.headers["idempotent-replayed"] == "true"
    size = client.get("/v1/ledger/head").json()["size"]
    assert [each["kind"] for each in client.get("/v1/ledger").json()["items"]].count("retraction") == 1
    assert size == client.get("/v1/ledger/head").json()["size"]
