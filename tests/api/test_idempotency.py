"""A key makes a repeated request safe: answered again, not done again."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from service.record import replications
from service.record.database import Database
from tests.api.community import PROTOCOL, QUESTION, Community, registration, replication
from tests.api.test_problems import assert_problem

KEY = {"Idempotency-Key": "one-and-the-same"}
WITHDRAWAL = {"category": "mixed_up", "reason": "swapped"}


@pytest.fixture
def keyed(community):
    """Every creating POST, in an order in which each can be done: path and body."""
    person = community.person()
    slug = community.asked(person)
    registered = community.submitted(person, registration(slug))["id"]
    taken_back = community.submitted(person, registration(slug))["id"]
    return person, [
        ("/v1/questions", QUESTION),
        (f"/v1/questions/{slug}/protocols", PROTOCOL),
        (f"/v1/questions/{slug}/reports", {"leans": "neither", "text": ""}),
        ("/v1/replications", replication(slug)),
        (f"/v1/replications/{registered}/submit", None),
        (f"/v1/replications/{taken_back}/withdraw", WITHDRAWAL),
    ]


def kept_keys(database):
    with database.read() as session:
        return session.execute(text("SELECT count(*) FROM idempotency_key")).scalar_one()


def test_every_creating_post_is_answered_again_and_done_once(client, keyed, subtests):
    person, calls = keyed
    for path, body in calls:
        with subtests.test(path):
            given = {} if body is None else {"json": body}
            first = client.post(path, headers=person.headers | KEY, **given)
            assert first.status_code in {200, 201}
            assert "idempotent-replayed" not in first.headers
            size = client.get("/v1/ledger/head").json()["size"]
            again = client.post(path, headers=person.headers | KEY, **given)
            assert again.headers["idempotent-replayed"] == "true"
            assert (again.status_code, again.content) == (first.status_code, first.content)
            for name in ("location", "etag", "content-type", "cache-control"):
                assert again.headers.get(name) == first.headers.get(name)
            assert client.get("/v1/ledger/head").json()["size"] == size


def test_every_creating_post_refuses_the_key_with_another_body(client, keyed, subtests):
    person, calls = keyed
    for path, body in calls:
        with subtests.test(path):
            given = {} if body is None else {"json": body}
            assert client.post(path, headers=person.headers | KEY, **given).status_code in {200, 201}
            size = client.get("/v1/ledger/head").json()["size"]
            other = {"content": b"{}"} if body is None else {"json": _another(body)}
            assert_problem(client.post(path, headers=person.headers | KEY, **other), "idempotency-key-reused")
            assert client.get("/v1/ledger/head").json()["size"] == size


def _another(body):
    """Return a body as valid as the first."""
    name = next(name for name in ("title", "summary", "text", "reason", "notes") if name in body or name == "notes")
    return body | {name: "something else"}


def test_the_bytes_of_a_body_are_what_is_compared(client, community):
    person = community.person()
    headers = person.headers | KEY | {"Content-Type": "application/json"}
    slug = community.question(person)
    path = f"/v1/questions/{slug}/reports"
    assert client.post(path, headers=headers, content=b'{"leans":"neither"}').status_code == 201
    assert client.post(path, headers=headers, content=b'{"leans": "neither"}').status_code == 422


def test_a_key_is_its_contributors_its_methods_and_its_paths_own(client, community):
    one, other = community.person(), community.person()
    slug, second = community.asked(one), community.asked(one)
    impression = {"leans": "neither", "text": ""}
    answers = [
        client.post(f"/v1/questions/{slug}/reports", headers=one.headers | KEY, json=impression),
        client.post(f"/v1/questions/{slug}/reports", headers=other.headers | KEY, json=impression),
        client.post(f"/v1/questions/{second}/reports", headers=one.headers | KEY, json=impression),
        client.post("/v1/replications", headers=one.headers | KEY, json=replication(slug)),
    ]
    assert [answer.status_code for answer in answers] == [201] * 4
    assert not [answer for answer in answers if "idempotent-replayed" in answer.headers]


@pytest.mark.parametrize("key", ["", "a b", "x" * 201, "é".encode(), "a\tb"])
def test_a_key_out_of_form_is_refused(sqlite_client, village, key):
    person = village.person()
    slug = village.question(person)
    answer = sqlite_client.post(
        f"/v1/questions/{slug}/reports", headers=person.headers | {"Idempotency-Key": key}, json={"leans": "neither"}
    )
    assert answer.status_code == 422
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["header/Idempotency-Key"]


def test_what_mints_a_secret_is_never_replayed(client, community):
    person = community.person()
    made = [client.post("/v1/contributors", headers=KEY, json={"display_name": "x"}).json() for _ in range(2)]
    assert made[0]["token"] != made[1]["token"]
    codes = [client.post("/v1/me/household", headers=person.headers | KEY, json={}).json() for _ in range(2)]
    assert codes[0]["join_code"] != codes[1]["join_code"]


def test_a_refused_write_keeps_no_key(client, database, community):
    person = community.person()
    slug = community.asked(person)
    headers = person.headers | KEY
    for refused in (
        client.post("/v1/replications", headers=headers, json=replication(slug, (13, 12))),  # by its shape
        client.post("/v1/replications", headers=headers, json=replication(slug, protocol_version=9)),  # by the record
        client.post("/v1/replications", headers=KEY, json=replication(slug)),  # by who asks
    ):
        assert refused.status_code in {401, 422}
        assert kept_keys(database) == 0
    assert client.post("/v1/replications", headers=headers, json=replication(slug)).status_code == 201
    assert kept_keys(database) == 1


def test_a_write_that_breaks_midway_keeps_neither_key_nor_anything_else(client, database, community, monkeypatch):
    person = community.person()
    slug = community.asked(person)
    headers = person.headers | KEY
    size = client.get("/v1/ledger/head").json()["size"]
    entered = replications.enter

    def breaks(*given):
        entered(*given)
        raise ZeroDivisionError

    monkeypatch.setattr(replications, "enter", breaks)
    assert_problem(client.post("/v1/replications", headers=headers, json=replication(slug)), "internal-error")
    assert kept_keys(database) == 0
    assert client.get("/v1/ledger/head").json()["size"] == size
    assert client.get("/v1/me/replications", headers=person.headers).json()["items"] == []
    monkeypatch.undo()
    sent = client.post("/v1/replications", headers=headers, json=replication(slug))
    assert sent.status_code == 201
    assert "idempotent-replayed" not in sent.headers


def test_of_twins_in_flight_one_writes_and_the_others_get_its_answer(client, community):
    person = community.person()
    slug = community.asked(person)
    size = client.get("/v1/ledger/head").json()["size"]
    call = {
        "method": "POST",
        "url": "/v1/replications",
        "headers": person.headers | KEY,
        "json": replication(slug),
    }
    answers = client.together([call] * 8)
    first = [answer for answer in answers if answer.status_code == 201 and "idempotent-replayed" not in answer.headers]
    assert len(first) == 1
    others = [answer for answer in answers if answer is not first[0]]
    assert {answer.status_code for answer in others} <= {201, 409}
    for answer in others:
        if answer.status_code == 201:
            assert answer.headers["idempotent-replayed"] == "true"
            assert answer.content == first[0].content
        else:
            assert_problem(answer, "request-in-flight")
    assert client.get("/v1/ledger/head").json()["size"] == size + 1
    assert len(client.get("/v1/me/replications", headers=person.headers).json()["items"]) == 1


def test_twins_with_other_bodies_do_one_of_them(client, community):
    person = community.person()
    slug = community.asked(person)
    calls = [
        {
            "method": "POST",
            "url": "/v1/replications",
            "headers": person.headers | KEY,
            "json": replication(slug, (correct, 12)),
        }
        for correct in range(6)
    ]
    statuses = sorted(answer.status_code for answer in client.together(calls))
    assert statuses == [201] + [422] * 5
    assert len(client.get("/v1/me/replications", headers=person.headers).json()["items"]) == 1


def test_a_key_is_kept_for_seven_days_and_cleared_away_by_a_later_write(sqlite_url, join):
    now = [datetime(2031, 5, 17, tzinfo=UTC)]
    database = Database(sqlite_url, clock=lambda: now[0])
    client = join(database)
    person = Community(client).person()
    slug = Community(client).question(person)

    def left(key):
        headers = person.headers | {"Idempotency-Key": key}
        return client.post(f"/v1/questions/{slug}/reports", headers=headers, json={"leans": "neither"})

    first = left("first")
    now[0] += timedelta(days=7)
    assert left("first").content == first.content
    assert left("second").status_code == 201
    assert kept_keys(database) == 2
    now[0] += timedelta(seconds=1)
    assert left("third").status_code == 201
    assert kept_keys(database) == 2
    anew = left("first")
    assert (anew.status_code, "idempotent-replayed" in anew.headers) == (201, False)
    database.dispose()
