"""What `/health/ready` says, and what it says it by."""

import pytest
from pydantic import SecretStr

from service.record import health
from service.record.database import Database
from tests.api.kitchen import Kitchen
from tests.api.test_problems import assert_problem

KEY, OTHER = SecretStr("a secret that is long enough"), SecretStr("another one, just as long")


def test_a_service_that_is_ready_says_how_each_part_is(client):
    said = client.get("/health/ready").json()
    assert said["status"] == "ready"
    assert set(said["parts"]) == {"database", "schema", "disk", "sealing_key"}
    assert all(part["well"] and part["detail"] for part in said["parts"].values())


def test_what_is_unwell_is_named(sqlite, join):
    answer = join(sqlite, min_free_disk_mib=10**9).get("/health/ready")
    assert_problem(answer, "unavailable")
    assert answer.headers["retry-after"].isdigit()
    assert [fault["pointer"] for fault in answer.json()["errors"]] == ["part/disk"]
    assert answer.json()["detail"] == "disk has less than 1000000000 MiB free"


def test_a_process_with_another_key_than_the_open_trials_is_not_ready(database_url, open_database, join):
    right = join(open_database(), sealing_key=KEY)
    trial = Kitchen(right).open()
    assert right.get("/health/ready").json()["parts"]["sealing_key"]["detail"] == "opens what is sealed"
    wrong = join(open_database(), sealing_key=OTHER).get("/health/ready")
    assert [fault["pointer"] for fault in wrong.json()["errors"]] == ["part/sealing_key"]
    for secret in (KEY, OTHER):
        assert secret.get_secret_value() not in wrong.text
    trial.finish()
    # No trial waits for the old key any more.
    assert join(open_database(), sealing_key=OTHER).get("/health/ready").status_code == 200


def test_a_replica_that_is_behind_degrades_and_no_more(sqlite, join, monkeypatch):
    monkeypatch.setattr(Database, "has_replica", property(lambda _: True))
    client = join(sqlite, max_replica_lag_seconds=30)
    for behind, status, well in ((30.0, "ready", True), (31.0, "degraded", False)):
        monkeypatch.setattr(health, "seconds_behind", lambda _, behind=behind: behind)
        answer = client.get("/health/ready")
        assert (answer.status_code, answer.json()["status"]) == (200, status)
        assert answer.json()["parts"]["replica"]["well"] is well


@pytest.mark.parametrize("path", ["/health/live", "/health/ready"])
def test_health_says_nothing_of_where_things_are(sqlite, join, path, tmp_path):
    said = join(sqlite).get(path).text
    assert str(tmp_path) not in said
    assert "record.db" not in said
