"""Reads from a streaming replica: behind for whoever doesn't mind, never for whoever has just written."""

import time

import psycopg
import pytest
from pydantic import SecretStr

from service.record.database import Database
from tests import postgres
from tests.api.community import Community, registration, replication
from tests.api.kitchen import Kitchen

pytestmark = pytest.mark.postgres
_PATIENCE_S = 30
SEALING_KEY = SecretStr("a secret that is long enough for a test")


@pytest.fixture(scope="module")
def clusters():
    with postgres.with_replica() as pair:
        yield pair


@pytest.fixture
def replica(clusters):
    """Give the replica's controls: hold it back, and let it catch up."""
    replica = Replica(*clusters)
    yield replica
    replica.catch_up()


class Replica:
    def __init__(self, primary, replica):
        self.primary, self.replica = primary, replica

    def hold_back(self):
        with psycopg.connect(self.replica.url, autocommit=True) as connection:
            connection.execute("SELECT pg_wal_replay_pause()")
            self._wait(connection, "SELECT pg_get_wal_replay_pause_state() = 'paused'")

    def catch_up(self):
        with psycopg.connect(self.primary.url) as connection:
            written = connection.execute("SELECT pg_current_wal_lsn()::text").fetchone()[0]
        with psycopg.connect(self.replica.url, autocommit=True) as connection:
            connection.execute("SELECT pg_wal_replay_resume()")
            self._wait(connection, f"SELECT pg_last_wal_replay_lsn() >= '{written}'")

    @staticmethod
    def _wait(connection, question):
        until = time.monotonic() + _PATIENCE_S
        while not connection.execute(question).fetchone()[0]:
            assert time.monotonic() < until, question
            time.sleep(0.02)


@pytest.fixture
def client(clusters, join):
    primary, replica = clusters
    database = Database(primary.url, read_url=replica.url)
    yield join(database, sealing_key=SEALING_KEY)
    database.dispose()


@pytest.fixture
def community(client):
    return Community(client)


def counted(answer):
    return answer.json()["counted"]["replications"]


def test_whoever_says_nothing_of_themselves_may_see_a_moment_ago(client, community, replica):
    person = community.person()
    slug = community.asked(person)
    community.submitted(person, replication(slug))
    replica.catch_up()
    path = f"/v1/questions/{slug}/evidence/studies"
    replica.hold_back()
    community.submitted(person, replication(slug, (5, 12)))
    assert len(client.get(path).json()["items"]) == 1
    assert len(client.get(path, headers=person.headers).json()["items"]) == 2
    assert len(client.get(path, headers={"Cookie": "a=b"}).json()["items"]) == 2
    replica.catch_up()
    assert len(client.get(path).json()["items"]) == 2


def test_what_the_replica_has_not_got_is_looked_for_in_the_record(client, community, replica):
    person = community.person()
    replica.catch_up()
    replica.hold_back()
    slug = community.asked(person)
    kept = community.submitted(person, replication(slug))
    assert client.get(f"/v1/questions/{slug}").status_code == 200
    assert client.get(f"/v1/replications/{kept['id']}").status_code == 200
    assert counted(client.get(f"/v1/questions/{slug}/evidence")) == 1
    assert client.get("/v1/questions/there-is-none").status_code == 404


def test_a_named_state_is_that_state_whatever_the_replica_has(client, community, replica):
    person = community.person()
    slug = community.asked(person)
    replica.catch_up()
    replica.hold_back()
    community.submitted(person, replication(slug))
    position = client.get("/v1/ledger/head", headers=person.headers).json()["size"]
    assert client.get("/v1/ledger/head").json()["size"] < position
    assert counted(client.get(f"/v1/questions/{slug}/evidence?as_of={position}")) == 1
    today = client.get(f"/v1/questions/{slug}", headers=person.headers).json()["created_at"][:10]
    assert counted(client.get(f"/v1/questions/{slug}/evidence?as_of={today}")) == 1


def test_a_token_works_from_its_first_moment_and_stops_at_its_last(client, community, replica):
    replica.catch_up()
    replica.hold_back()
    person = community.person()
    assert client.get("/v1/me", headers=person.headers).status_code == 200
    assert client.delete("/v1/me/token", headers=person.headers).status_code == 204
    assert client.get("/v1/me", headers=person.headers).status_code == 401


def test_whoever_tastes_sees_the_next_set_at_once(client, replica):
    kitchen = Kitchen(client)
    trial = kitchen.open(presentations=3)
    client.get(trial.helper)
    replica.catch_up()
    replica.hold_back()
    trial.finish()
    assert kitchen.submit().status_code == 200


def test_without_its_replica_the_record_answers_itself(client, community, replica, clusters):
    _, server = clusters
    person = community.person()
    slug = community.asked(person)
    kept = community.submitted(person, registration(slug))
    server.stop()
    try:
        assert client.get(f"/v1/questions/{slug}").status_code == 200
        assert client.get("/v1/questions").status_code == 200
        health = client.get("/health/ready")
        assert (health.status_code, health.json()["status"]) == (200, "degraded")
        assert not health.json()["parts"]["replica"]["well"]
        done = client.post(f"/v1/replications/{kept['id']}/submit", headers=person.headers)
        assert done.status_code == 200
    finally:
        server.start()
    assert client.get(f"/v1/questions/{slug}").status_code == 200


def test_how_far_behind_the_replica_is_is_told(clusters, client, community, replica, join):
    primary, behind = clusters
    replica.catch_up()
    assert client.get("/health/ready").json()["parts"]["replica"]["well"]
    assert "manybatch_replica_lag_seconds 0.0" in client.get("/metrics").text
    replica.hold_back()
    community.person()  # which is no entry of the ledger
    assert "manybatch_replica_lag_seconds 0.0" in client.get("/metrics").text
    community.asked(community.person())
    (line,) = [line for line in client.get("/metrics").text.splitlines() if line.startswith("manybatch_replica_lag")]
    assert float(line.split()[1]) > 0
    database = Database(primary.url, read_url=behind.url)
    late = join(database, sealing_key=SEALING_KEY, max_replica_lag_seconds=1e-6).get("/health/ready")
    database.dispose()
    assert (late.status_code, late.json()["status"]) == (200, "degraded")


def test_a_standby_takes_no_writes_and_is_not_ready(clusters, join):
    database = Database(clusters[1].url)
    answer = join(database, sealing_key=SEALING_KEY).get("/health/ready")
    database.dispose()
    assert answer.status_code == 503
    assert {"pointer": "part/database", "detail": "takes no writes: it is a standby"} in answer.json()["errors"]
