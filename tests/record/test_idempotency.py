# ruff: noqa: PT012  # what raises is the end of a session's block

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from service.record import database as database_module
from service.record import idempotency
from service.record.database import Database
from service.record.errors import IdempotencyMismatch, InFlight
from service.record.idempotency import Replay
from tests.record import builders

ANSWER = {"status": 201, "location": "/v1/x", "etag": '"r1"', "body": b'{"id": 1}'}


@pytest.fixture
def same(database):
    with database.write() as session:
        return {"contributor_id": builders.contributor(session).id, "method": "POST", "path": "/v1/x", "key": "k"}


def answer(database, same, request_hash="h"):
    with database.write() as session:
        replay = idempotency.claim(session, **same, request_hash=request_hash)
        if replay is None:
            idempotency.complete(session, **same, **ANSWER)
        return replay


def test_the_first_request_is_answered_and_the_second_gets_the_same(database, same):
    assert answer(database, same) is None
    assert answer(database, same) == Replay(**ANSWER)


def test_the_same_key_with_another_body_is_refused(database, same):
    answer(database, same)
    with pytest.raises(IdempotencyMismatch):
        answer(database, same, "other")


@pytest.mark.parametrize("part", ["method", "path", "key"])
def test_a_key_is_looked_for_only_where_it_was_used(database, same, part):
    answer(database, same)
    assert answer(database, same | {part: "else"}) is None


def test_a_key_belongs_to_its_contributor(database, same):
    answer(database, same)
    with database.write() as session:
        other = builders.contributor(session)
    assert answer(database, same | {"contributor_id": other.id}) is None


def test_a_request_that_failed_leaves_its_key_free(database, same):
    with pytest.raises(KeyError), database.write() as session:
        idempotency.claim(session, **same, request_hash="h")
        raise KeyError
    assert answer(database, same) is None


def test_a_request_that_was_never_answered_is_in_flight(database, same):
    with database.write() as session:
        idempotency.claim(session, **same, request_hash="h")
    with pytest.raises(InFlight):
        answer(database, same)


def test_twins_sent_at_once_are_answered_once(database, same):
    with ThreadPoolExecutor(8) as pool:
        replays = list(pool.map(lambda _: answer(database, same), range(8)))
    assert replays.count(None) == 1
    assert [each for each in replays if each] == [Replay(**ANSWER)] * 7


@pytest.mark.postgres
def test_a_twin_waits_and_then_gives_up(postgres_url, monkeypatch):
    monkeypatch.setattr(database_module, "_POSTGRES_SETTINGS", "-c lock_timeout=50ms")
    database = Database(postgres_url)
    with database.write() as session:
        contributor = builders.contributor(session)
    same = {"contributor_id": contributor.id, "method": "POST", "path": "/v1/x", "key": "k"}
    claimed, finished = threading.Event(), threading.Event()

    def hold():
        with database.write() as session:
            idempotency.claim(session, **same, request_hash="h")
            claimed.set()
            finished.wait(10)

    with ThreadPoolExecutor(1) as pool:
        held = pool.submit(hold)
        claimed.wait(10)
        with pytest.raises(InFlight):
            answer(database, same)
        finished.set()
        held.result()
    database.dispose()


def test_answers_are_kept_for_seven_days_and_dropped_a_few_at_a_time(open_database):
    moment = datetime(2031, 5, 17, tzinfo=UTC)
    times = iter([moment] * 4 + [moment + timedelta(days=1)])
    database = open_database(clock=lambda: next(times))
    with database.write() as session:
        contributor = builders.contributor(session)
        for key in "abcd":
            same = {"contributor_id": contributor.id, "method": "POST", "path": "/", "key": key}
            idempotency.claim(session, **same, request_hash="h")
    later = moment + timedelta(days=7, microseconds=1)
    with database.write() as session:
        assert idempotency.expire(session, later - timedelta(microseconds=1)) == 0
        assert idempotency.expire(session, later, limit=2) == 2
        assert idempotency.expire(session, later) == 1
        assert idempotency.expire(session, later) == 0
        assert session.execute(text("SELECT key FROM idempotency_key")).scalars().all() == ["d"]


def test_a_key_older_than_seven_days_is_free_again(open_database):
    moment = datetime(2031, 5, 17, tzinfo=UTC)
    times = [moment]
    database = open_database(clock=lambda: times[-1])
    with database.write() as session:
        same = {"contributor_id": builders.contributor(session).id, "method": "POST", "path": "/v1/x", "key": "k"}
    assert answer(database, same) is None
    times.append(moment + timedelta(days=7))
    assert answer(database, same) == Replay(**ANSWER)
    times.append(moment + timedelta(days=7, seconds=1))
    with database.write() as session:
        assert idempotency.claim(session, **same, request_hash="another") is None
