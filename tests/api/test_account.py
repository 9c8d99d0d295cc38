"""One's own token and content: replaced, revoked, erased."""

import pytest

from tests.api.community import Person, registration, replication
from tests.api.test_problems import assert_problem


def test_a_replaced_token_stops_working_at_once(client, community):
    person = community.person()
    made = client.post("/v1/me/token", headers=person.headers)
    assert made.status_code == 200
    assert made.headers["cache-control"] == "private, no-store"
    assert made.json()["id"] == person.id
    assert client.get("/v1/me", headers=person.headers).status_code == 401
    again = Person(person.id, made.json()["token"])
    assert client.get("/v1/me", headers=again.headers).json()["id"] == person.id


def test_a_revoked_token_opens_nothing_and_what_was_submitted_stays(client, community):
    person = community.person()
    slug = community.asked(person)
    kept = community.submitted(person, replication(slug))
    gone = client.delete("/v1/me/token", headers=person.headers)
    assert (gone.status_code, gone.content) == (204, b"")
    assert client.delete("/v1/me/token", headers=person.headers).status_code == 401
    assert client.get(f"/v1/replications/{kept['id']}").status_code == 200


@pytest.mark.parametrize("way", ["replaced", "revoked", "erased"])
def test_a_token_that_is_remembered_is_asked_for_again_in_the_write(database, client, join, community, way):
    person = community.person()
    slug = community.asked(person)
    keyed = person.headers | {"Idempotency-Key": "k"}
    first = client.post("/v1/replications", json=replication(slug, (3, 12)), headers=keyed)
    assert first.status_code == 201
    # By another process, which tells this one nothing.
    path, method = {"replaced": ("/token", "POST"), "revoked": ("/token", "DELETE"), "erased": ("", "DELETE")}[way]
    assert join(database).request(method, f"/v1/me{path}", headers=person.headers).is_success
    # A token that is no good is said first, whatever else is wrong.
    for path in ("/v1/replications", "/v1/replications?nothing=1"):
        assert client.post(path, json={"question": 1}, headers=person.headers).status_code == 401
        assert client.post(path, json={"question": 1}).status_code == 401
    size = client.get("/v1/ledger/head").json()["size"]
    for headers in (keyed, person.headers, person.headers | {"Idempotency-Key": "another"}):
        refused = client.post("/v1/replications", json=replication(slug, (3, 12)), headers=headers)
        assert_problem(refused, "not-signed-in")
        assert "www-authenticate" in refused.headers
    assert client.get("/v1/ledger/head").json()["size"] == size


def test_a_token_is_confirmed_for_every_write_and_not_only_the_first(client, community, join, database):
    person = community.person()
    slug = community.asked(person)
    elsewhere = join(database)
    for correct in (3, 4):
        community.submitted(person, replication(slug, (correct, 12)))
    assert elsewhere.delete("/v1/me/token", headers=person.headers).status_code == 204
    for _ in range(2):
        assert client.post("/v1/replications", json=replication(slug), headers=person.headers).status_code == 401


def test_who_is_erased_is_gone_from_every_door(client, community):
    asker, person = community.person(), community.person()
    slug = community.asked(asker)
    community.submitted(asker, replication(slug, (4, 12)))
    before = community.evidence(slug)
    theirs = community.submitted(person, {**replication(slug, (9, 12)), "notes": "my cellar in Elmstead"})
    pending = community.submitted(person, registration(slug))
    client.post(
        f"/v1/questions/{slug}/reports", json={"leans": "control", "text": "by Elmstead"}, headers=person.headers
    )
    with_them = community.evidence(slug)
    assert client.delete("/v1/me", headers=person.headers).status_code == 204
    assert client.get("/v1/me", headers=person.headers).status_code == 401
    for path in ("", "/revisions", "/report"):
        assert client.get(f"/v1/replications/{theirs['id']}{path}").status_code == 410
    assert client.get(f"/v1/replications/{pending['id']}").status_code == 404
    after = community.evidence(slug)
    assert after["counted"]["households"] == before["counted"]["households"] == 1
    assert {"reason": "erased", "count": 2} in after["counted"]["left_out"]
    # Counts stay behind earlier answers, under no name: those answers are what they were.
    pinned = with_them["as_of"]["position"]
    assert community.evidence(slug, as_of=pinned) == with_them
    for path in (f"/v1/questions/{slug}/data-package", f"/v1/questions/{slug}/feed", "/v1/ledger", "/v1/replications"):
        assert b"Elmstead" not in client.get(path).content


def test_nobody_is_erased_twice_or_by_others(client, community):
    person = community.person()
    assert client.delete("/v1/me").status_code == 401
    assert client.delete("/v1/me", headers=person.headers).status_code == 204
    assert client.delete("/v1/me", headers=person.headers).status_code == 401
