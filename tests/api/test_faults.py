"""The disk is full, the file is locked, the server is away: later is the answer, and nothing acknowledged is lost."""

import itertools
import sqlite3
import threading
import time
from contextlib import contextmanager
from datetime import timedelta

import pytest
from sqlalchemy import event, text

from service.record import database as database_module
from service.record.clock import utc_now
from service.record.database import Database
from service.record.verify import verify
from tests import postgres
from tests.api.community import Community, replication

_numbers = itertools.count()


def send(client, person, slug, key, notes=""):
    """Submit something that is unlike all else."""
    document = replication(slug, (next(_numbers) % 12, 12), notes=notes)
    headers = {**person.headers, "Idempotency-Key": key}
    return client.post("/v1/replications", json=document, headers=headers)


def assert_later(answer):
    assert answer.status_code == 503, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert int(answer.headers["retry-after"]) >= 1
    assert answer.json()["type"] == "/problems/unavailable"


def assert_kept(client, database, acknowledged):
    """What was acknowledged is there, once; the ledger is whole; nothing else is there. `-s` shows the figures."""
    ids = {each.json()["id"] for each in acknowledged}
    listed = [each["id"] for each in client.get("/v1/replications?limit=200").json()["items"]]
    print(f"{len(acknowledged)} acknowledged, {len(listed)} found, {len(listed) - len(set(listed))} doubled")
    assert len(listed) == len(set(listed))
    assert set(listed) == ids
    with database.read() as session:
        assert verify(session).whole


def recovered(send_):
    """Send until it is taken; say how long that took from the moment at which the fault was mended."""
    since, tries = time.monotonic(), 1
    while (answer := send_()).status_code == 503:
        assert_later(answer)
        tries += 1
        assert time.monotonic() - since < 60
        time.sleep(0.05)
    print(f"taken again after {time.monotonic() - since:.2f} s, at try {tries}")
    assert answer.status_code == 201, answer.text
    return answer


class TestAFullDisk:
    @contextmanager
    def full(self, database):
        """Let the file not grow by a page; the one connection that writes is told."""
        with database.write() as session:
            pages = session.execute(text("PRAGMA page_count")).scalar_one()
            session.execute(text(f"PRAGMA max_page_count = {pages}"))
        yield
        with database.write() as session:
            session.execute(text("PRAGMA max_page_count = 1073741823"))

    def test_writes_wait_for_room_and_reads_go_on(self, sqlite, sqlite_client, village):
        person = village.person()
        slug = village.asked(person)
        acknowledged, refused = [send(sqlite_client, person, slug, f"before-{number}") for number in range(5)], []
        with self.full(sqlite):
            for number in range(12):
                answer = send(sqlite_client, person, slug, f"key-{number}", notes="long " * 1500)
                (acknowledged if answer.status_code == 201 else refused).append(answer)
            assert refused
            for answer in refused:
                assert_later(answer)
            assert sqlite_client.get(f"/v1/questions/{slug}/evidence").status_code == 200
            assert sqlite_client.get("/health/ready").status_code == 200
            assert_kept(sqlite_client, sqlite, acknowledged)
        print(f"{len(refused)} refused while there was no room")
        acknowledged.append(recovered(lambda: send(sqlite_client, person, slug, "afterwards")))
        assert_kept(sqlite_client, sqlite, acknowledged)

    def test_what_was_refused_is_done_when_it_is_sent_again(self, sqlite, sqlite_client, village):
        person = village.person()
        slug = village.asked(person)
        document = replication(slug, notes="long " * 1900, kitchen="long " * 1900)
        call = {"json": document, "headers": {**person.headers, "Idempotency-Key": "again"}}
        with self.full(sqlite):
            assert_later(sqlite_client.post("/v1/replications", **call))
        first, replayed = (sqlite_client.post("/v1/replications", **call) for _ in range(2))
        assert (first.status_code, replayed.headers["idempotent-replayed"]) == (201, "true")
        assert_kept(sqlite_client, sqlite, [first])


def test_a_file_that_somebody_holds_locked_is_for_later_and_recovers_by_itself(sqlite_url, join, monkeypatch):
    monkeypatch.setattr(database_module, "_SQLITE_BUSY_MS", 50)
    database = Database(sqlite_url)
    client = join(database)
    village = Community(client)
    person = village.person()
    slug = village.asked(person)
    acknowledged = [send(client, person, slug, "before")]
    locker = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), isolation_level=None)
    locker.execute("BEGIN IMMEDIATE")
    assert_later(send(client, person, slug, "meanwhile"))
    assert client.get(f"/v1/questions/{slug}").status_code == 200
    assert client.get("/health/ready").status_code == 200
    locker.execute("ROLLBACK")
    locker.close()
    acknowledged.append(recovered(lambda: send(client, person, slug, "meanwhile")))
    acknowledged.append(send(client, person, slug, "after"))
    assert_kept(client, database, acknowledged)
    database.dispose()


def test_a_writer_waits_its_turn_while_another_process_writes_for_a_moment(sqlite_url, join):
    database = Database(sqlite_url)
    client = join(database)
    village = Community(client)
    person = village.person()
    slug = village.asked(person)
    locker = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), isolation_level=None, check_same_thread=False)
    locker.execute("BEGIN IMMEDIATE")
    timer = threading.Timer(0.4, locker.execute, ["COMMIT"])
    timer.start()
    assert send(client, person, slug, "patient").status_code == 201
    timer.join()
    locker.close()
    database.dispose()


@pytest.mark.postgres
class TestPostgresGoesAway:
    @pytest.fixture
    def cluster(self):
        with postgres.cluster() as cluster:
            cluster.start()
            yield cluster

    @pytest.mark.parametrize("mode", ["fast", "immediate"])
    def test_it_answers_later_while_the_server_is_away_and_goes_on_when_it_is_back(self, cluster, join, mode):
        database = Database(cluster.url)
        database.migrate()
        client = join(database)
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
        acknowledged = [send(client, person, slug, f"before-{number}") for number in range(3)]
        cluster.stop(mode)
        for _ in range(2):
            assert_later(send(client, person, slug, "meanwhile"))
            assert_later(client.get("/v1/ledger"))
            assert_later(client.get("/health/ready"))
        assert client.get("/health/live").status_code == 200
        assert client.get("/v1/calculators/gravity/scales?sg=1.05").status_code == 200
        cluster.start()
        acknowledged.append(recovered(lambda: send(client, person, slug, "meanwhile")))
        acknowledged.append(send(client, person, slug, "after"))
        assert {each.status_code for each in acknowledged} == {201}
        assert client.get("/health/ready").status_code == 200
        assert_kept(client, database, acknowledged)
        database.dispose()


@pytest.mark.postgres
class TestAConnectionDropped:
    @pytest.fixture
    def cut(self, postgres_url):
        """Cut the writing connection once, right after its n-th statement."""
        database, killer = Database(postgres_url), Database(postgres_url)
        state = {"left": None}

        def count(connection, _cursor, statement, _parameters, _context, _many):
            if state["left"] is None or statement.startswith("SELECT pg_"):
                return
            state["left"] -= 1
            if state["left"] == 0:
                state["left"] = None
                # Not by asking: answers aren't waited for everywhere.
                number = connection.connection.driver_connection.info.backend_pid
                with killer.write() as session:
                    session.execute(text("SELECT pg_terminate_backend(:number, 5000)"), {"number": number})

        event.listen(database._writer, "after_cursor_execute", count)
        yield database, state
        for each in (database, killer):
            each.dispose()

    @pytest.mark.parametrize("statement", [*range(1, 14, 2), 14])
    def test_in_the_middle_of_a_submission_nothing_is_kept_and_it_can_be_sent_again(self, cut, join, statement):
        database, state = cut
        client = join(database)
        community = Community(client)
        person = community.person()
        slug = community.asked(person)
        state["left"] = statement
        document = replication(slug)
        call = {"json": document, "headers": {**person.headers, "Idempotency-Key": "again"}}
        first = client.post("/v1/replications", **call)
        assert state["left"] is None or statement > 9  # a submission has that many statements at least
        if state["left"] is None:
            assert_later(first)
            assert_kept(client, database, [])
        state["left"] = None
        assert_kept(client, database, [recovered(lambda: client.post("/v1/replications", **call))])


def test_the_clock_may_step_back_and_nothing_else_does(open_database, join):
    skew = [timedelta()]
    database = open_database(clock=lambda: utc_now() + skew[0])
    client = join(database)
    community = Community(client)
    person = community.person()
    slug = community.asked(person)
    acknowledged = []
    for hours in (0, 5, -48, 1, -1):
        skew[0] = timedelta(hours=hours)
        acknowledged.append(send(client, person, slug, f"at-{hours}"))
        assert acknowledged[-1].status_code == 201
    times = [each["at"] for each in client.get("/v1/ledger").json()["items"]]
    assert times == sorted(times)
    assert client.get(f"/v1/questions/{slug}/evidence").status_code == 200
    assert_kept(client, database, acknowledged)
