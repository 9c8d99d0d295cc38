"""A PostgreSQL primary dies under load, its synchronous standby takes over: nothing acknowledged is lost or doubled.

The service is never restarted and never told: its database address names both servers and asks for the one that takes
writes. Run with `-m soak`; `-s` shows how long it took.
"""

import itertools
import sys
import threading
import time
from collections import Counter
from contextlib import contextmanager

import httpx
import psycopg
import pytest

from service.record import ledger
from service.record.database import Database
from service.record.verify import verify
from tests import postgres, server
from tests.api.community import Community, replication

pytestmark = [pytest.mark.soak, pytest.mark.postgres]
CLIENTS = 6
BEFORE_S, OUTAGE_S, AFTER_S = 5, 2, 5
STANDBY_AWAY_S = 35
_PATIENCE_S = 60


@pytest.fixture
def pair():
    """Give a primary that acknowledges a commit once its standby has it too, and the standby."""
    with postgres.with_replica() as (primary, standby):
        with psycopg.connect(primary.url, autocommit=True) as connection:
            connection.execute("ALTER SYSTEM SET synchronous_standby_names = '*'")
            connection.execute("SELECT pg_reload_conf()")
            wait_for(lambda: _is_synchronous(connection))
        yield primary, standby


def _is_synchronous(connection):
    return connection.execute("SELECT sync_state = 'sync' FROM pg_stat_replication").fetchone() == (True,)


def wait_for(true):
    until = time.monotonic() + _PATIENCE_S
    while not true():
        assert time.monotonic() < until
        time.sleep(0.02)


class Client(threading.Thread):
    """Somebody who sends each submission, with its key, until it is acknowledged."""

    def __init__(self, address, person, slug, number, going):
        super().__init__()
        self.address, self.person, self.slug, self.number, self.going = address, person, slug, number, going
        self.acknowledged, self.odd, self.refused, self.unanswered, self.replayed = [], [], [], 0, 0

    def run(self):
        with httpx.Client(base_url=self.address, timeout=10) as self.client:
            for turn in itertools.count():
                if not self.going.is_set():
                    return
                self.acknowledged.append((self.submit(turn), time.monotonic()))

    def submit(self, turn):
        headers = self.person.headers | {"Idempotency-Key": f"{self.number}-{turn}"}
        document = replication(self.slug, (turn % 13, 12), notes=f"{self.number} {turn}")
        until = time.monotonic() + _PATIENCE_S
        while time.monotonic() < until:
            try:
                answer = self.client.post("/v1/replications", json=document, headers=headers)
            except httpx.TransportError:
                self.unanswered += 1
                continue
            if answer.status_code == 201:
                self.replayed += answer.headers.get("idempotent-replayed") == "true"
                return answer.json()["id"]
            self.refused.append(answer.status_code)
            if answer.status_code != 503 or "retry-after" not in answer.headers:
                self.odd.append((answer.status_code, answer.text))
            time.sleep(0.1)  # sooner than asked, so that the drill sees the first moment at which it works again
        self.odd.append("never acknowledged")
        return None


@contextmanager
def writing(address, people, slug):
    going = threading.Event()
    going.set()
    clients = [Client(address, person, slug, number, going) for number, person in enumerate(people)]
    for client in clients:
        client.start()
    try:
        yield clients
    finally:
        going.clear()
        for client in clients:
            client.join()


def served(primary, standby):
    both = f"postgresql+psycopg://postgres@/postgres?host={primary.home}&host={standby.home}"
    return server.running(
        [sys.executable, "-m", "service", "serve", "--workers", "2"],
        MANYBATCH_DATABASE_URL=f"{both}&target_session_attrs=read-write",
        MANYBATCH_RATE_LIMITS="off",
        MANYBATCH_LOG_LEVEL="error",
    )


def later_is_the_answer(client, slug):
    """While no server takes writes the record answers later, and calculators at once."""
    answer = client.get(f"/v1/questions/{slug}")
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable")
    assert int(answer.headers["retry-after"]) >= 1
    assert client.get("/health/ready").status_code == 503
    assert client.get("/health/live").status_code == 200
    assert client.get("/v1/calculators/gravity/scales?sg=1.05").status_code == 200


def test_no_acknowledged_submission_dies_with_the_primary(pair):
    primary, standby = pair
    with served(primary, standby) as running, running.client() as client:
        community = Community(client)
        people = [community.person() for _ in range(CLIENTS)]
        slug = community.asked(people[0])
        with writing(running.url, people, slug) as clients:
            time.sleep(BEFORE_S)
            killed = time.monotonic()
            primary.kill()
            later_is_the_answer(client, slug)
            time.sleep(OUTAGE_S)
            promoting = time.monotonic()
            standby.promote()
            promoted = time.monotonic()
            wait_for(lambda: client.get("/health/ready").status_code == 200)
            ready = time.monotonic()
            time.sleep(AFTER_S)
        assert [odd for each in clients for odd in each.odd] == []
        made = [acknowledged for each in clients for acknowledged in each.acknowledged]
        counted = community.evidence(slug)["counted"]
    database = Database(standby.url)
    with database.read() as session:
        report = verify(session)
        entries = ledger.entries(session, limit=report.size)
    database.dispose()
    assert report.whole, report.problems
    assert [entry.position for entry in entries] == list(range(1, report.size + 1))
    found = Counter(entry.subject for entry in entries if entry.kind == "submission")
    assert found == Counter(name for name, _ in made)
    assert counted["replications"] == len(made)
    first = min(at for _, at in made if at > promoting)
    before = sum(at < killed for _, at in made)
    assert before
    print(
        f"{before} acknowledged before and {len(made) - before} after, {len(found)} found, none twice, no gap; "
        f"{sum(len(each.refused) for each in clients)} answers were 503, {sum(each.unanswered for each in clients)} "
        f"never came, {sum(each.replayed for each in clients)} were replayed; promotion took "
        f"{promoted - promoting:.2f} s, and from its beginning it was {first - promoting:.2f} s to the first write and "
        f"{ready - promoting:.2f} s to readiness"
    )


def test_nothing_is_acknowledged_while_the_standby_is_away(pair):
    """Longer than any timeout of a statement: a commit that gave up waiting would be one that a dead primary takes."""
    primary, standby = pair
    with served(primary, standby) as running, httpx.Client(base_url=running.url, timeout=STANDBY_AWAY_S) as client:
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
        headers = person.headers | {"Idempotency-Key": "patient"}
        call = {"url": "/v1/replications", "json": replication(slug), "headers": headers}
        standby.stop()
        with pytest.raises(httpx.ReadTimeout):
            client.post(**call)
        assert client.get(f"/v1/questions/{slug}").status_code == 200
        standby.start()
        wait_for(lambda: client.post(**call).status_code == 201)
        assert client.get("/v1/ledger/head", headers=person.headers).json()["size"] == 3
        assert community.evidence(slug)["counted"]["replications"] == 1
