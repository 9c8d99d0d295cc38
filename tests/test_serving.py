"""`manybatch serve` as it runs: one process or several, under load, and told to stop."""

import itertools
import os
import signal
import sqlite3
import sys
import threading
import time
from contextlib import contextmanager

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.record import replication_reads
from service.record.database import Database
from service.record.verify import verify
from tests.api.community import Community, replication
from tests.server import running

CALCULATION = "/v1/calculators/gravity/scales?sg=1.05"
PATIENCE_S = 30
STOPPED = {0, -signal.SIGTERM}


def serving(url, workers):
    return running(
        [sys.executable, "-m", "service", "serve", "--workers", str(workers)],
        MANYBATCH_DATABASE_URL=url,
        MANYBATCH_RATE_LIMITS="off",
        MANYBATCH_LOG_LEVEL="warning",
    )


def until(question):
    patience = time.monotonic() + PATIENCE_S
    while not (answer := question()):
        assert time.monotonic() < patience
        time.sleep(0.05)
    return answer


def samples(server, name):
    text = httpx.get(f"{server.url}/metrics").text
    return [each for family in text_string_to_metric_families(text) for each in family.samples if each.name == name]


def test_whoever_looks_sees_every_worker_and_not_the_dead(sqlite_url):
    with serving(sqlite_url, 2) as server:

        def workers():
            return {int(each.labels["worker"]) for each in samples(server, "process_resident_memory_bytes")}

        until(lambda: len(workers()) == 2)
        for _ in range(20):
            assert httpx.get(server.url + CALCULATION).status_code == 200  # each on a connection of its own
        counted = [
            each.value
            for each in samples(server, "manybatch_request_seconds_count")
            if each.labels["route"] == "/v1/calculators/gravity/scales"
        ]
        assert sum(counted) == 20
        killed = min(workers())
        os.kill(killed, signal.SIGKILL)
        until(lambda: len(workers() - {killed}) == 2)
        assert killed not in workers()
        assert server.stop() in STOPPED


class Writer(threading.Thread):
    """Submits one thing after the other, each until it is taken, and ends where nobody is there to take it any more."""

    _numbers = itertools.count()

    def __init__(self, server, person, slug, stopping):
        super().__init__()
        self.server, self.person, self.slug, self.stopping = server, person, slug, stopping
        self.answers = []

    def run(self):
        with self.server.client() as client:
            while True:
                number = next(self._numbers)
                document = replication(self.slug, (number % 12, 12), notes=f"{number}")
                headers = self.person.headers | {"Idempotency-Key": f"{number}"}
                while True:
                    try:
                        self.answers.append(client.post("/v1/replications", json=document, headers=headers))
                        break
                    except httpx.TransportError:
                        # A connection that was idle for long is closed by the server at any time: that is no end.
                        if self.stopping.is_set():
                            return


def kept_in(url):
    database = Database(url)
    with database.read() as session:
        assert verify(session).whole
        found = {str(each.id) for each in replication_reads.page(session, limit=10_000)}
    database.dispose()
    return found


@pytest.mark.parametrize(
    ("where", "workers"),
    [("sqlite_url", 1), ("sqlite_url", 2), pytest.param("postgres_url", 2, marks=pytest.mark.postgres)],
)
def test_under_load_what_was_begun_is_ended_and_nothing_else_is_begun(request, where, workers):
    database_url = request.getfixturevalue(where)
    with serving(database_url, workers) as server:
        with server.client() as client:
            community = Community(client)
            people = [community.person() for _ in range(4)]
            slug = community.asked(people[0])
        stopping = threading.Event()
        writers = [Writer(server, person, slug, stopping) for person in people]
        for writer in writers:
            writer.start()
        until(lambda: all(len(writer.answers) >= 3 for writer in writers))
        stopping.set()
        assert server.stop() in STOPPED
        for writer in writers:
            writer.join(PATIENCE_S)
            assert not writer.is_alive()
        answers = [answer for writer in writers for answer in writer.answers]
        assert {answer.status_code for answer in answers} == {201}
        # Every write that was done was also acknowledged.
        assert kept_in(database_url) == {answer.json()["id"] for answer in answers}
        assert "Traceback" not in server.log.read_text()


@contextmanager
def locked(url):
    holder = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        holder.close()


def test_a_write_that_waits_is_done_before_the_end_while_newcomers_are_turned_away(sqlite_url):
    with serving(sqlite_url, 1) as server, server.client() as client:
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
        given = []

        def submit():
            call = {"json": replication(slug), "headers": person.headers, "timeout": PATIENCE_S}
            given.append(httpx.post(f"{server.url}/v1/replications", **call))

        def refused():
            try:
                httpx.get(f"{server.url}/health/live")
            except httpx.ConnectError:
                return True
            return False

        writer = threading.Thread(target=submit)
        with locked(sqlite_url):
            writer.start()
            until(lambda: {"kind": "write"} in [x.labels for x in samples(server, "manybatch_record_busy") if x.value])
            server.process.send_signal(signal.SIGTERM)
            until(refused)
            assert given == []
        writer.join(PATIENCE_S)
        assert given[0].status_code == 201
        assert server.process.wait(PATIENCE_S) in STOPPED
        assert kept_in(sqlite_url) == {given[0].json()["id"]}
