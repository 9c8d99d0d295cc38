"""What a write does before its turn comes, so that nobody waits for it longer than they must."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.intake import report
from service.record.database import Database
from tests.api.community import registration, replication

LOGGED = [
    {
        "arm": arm,
        "batch": f"bucket {arm}",
        "original_sg": 1.08,
        "readings": [{"at_h": 24.0 * day, "sg": round(1.08 - 0.01 * day, 3)} for day in range(6)],
    }
    for arm in ("control", "treatment")
]


@pytest.fixture
def nobody_follows_in_a_write(monkeypatch):
    def follow(_batches):
        raise AssertionError("followed where others wait")

    monkeypatch.setattr(report, "ferments", follow)


def test_ferments_are_followed_before_a_write_begins(sqlite_client, village, nobody_follows_in_a_write):
    person = village.person()
    slug = village.asked(person)
    logged = replication(slug, batches=LOGGED)
    made = village.submitted(person, logged)
    assert [each["batch"] for each in made["report"]["ferments"]] == ["bucket control", "bucket treatment"]
    headers = person.headers | {"If-Match": '"r1"'}
    amended = {**logged, "reason": "mistyped", "notes": "again"}
    answer = sqlite_client.put(f"/v1/replications/{made['id']}", json=amended, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.json()["report"]["ferments"] == made["report"]["ferments"]


def test_without_a_log_there_is_nothing_to_follow(village, nobody_follows_in_a_write):
    person = village.person()
    slug = village.asked(person)
    assert village.submitted(person, replication(slug))["report"]["ferments"] == []
    assert village.submitted(person, registration(slug))["report"]["ferments"] == []


def test_whose_turn_does_not_come_is_told_to_come_again(sqlite, sqlite_client, village, monkeypatch):
    person = village.person()
    slug = village.asked(person)
    call = {"json": replication(slug), "headers": person.headers | {"Idempotency-Key": "later"}}
    monkeypatch.setattr("service.api.storage._PATIENCE_WITH_WRITERS_S", 0.05)
    held, go_on = threading.Event(), threading.Event()
    run_write = sqlite.run_write

    def held_up(work):
        held.set()
        go_on.wait(30)
        return run_write(work)

    with ThreadPoolExecutor(1) as pool:
        monkeypatch.setattr(Database, "run_write", lambda _self, work: held_up(work))
        first = pool.submit(sqlite_client.post, "/v1/replications", **call)
        assert held.wait(30)
        refused = sqlite_client.post("/v1/replications", json=replication(slug, (1, 12)), headers=person.headers)
        go_on.set()
        assert first.result().status_code == 201
    assert (refused.status_code, refused.json()["type"]) == (503, "/problems/unavailable")
    assert int(refused.headers["retry-after"]) >= 1
    assert village.evidence(slug)["counted"]["replications"] == 1
