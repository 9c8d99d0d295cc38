# ruff: noqa: PT012  # what raises is the end of a session's block

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, StatementError

from service.record import database as database_module
from service.record import ledger
from service.record.database import Database
from service.record.errors import Conflict, Contended, Unavailable
from service.record.tables import Household
from service.record.verify import verify
from tests.record import builders


def test_a_block_that_ends_is_committed_and_one_that_raises_is_undone(database):
    with database.write() as session:
        builders.contributor(session)
    with pytest.raises(KeyError), database.write() as session:
        builders.contributor(session)
        raise KeyError
    with database.read() as session:
        assert session.execute(text("SELECT count(*) FROM contributor")).scalar_one() == 1


def test_nothing_can_be_written_in_a_reading_session(database):
    with pytest.raises((Unavailable, DBAPIError)), database.read() as session:
        session.execute(text("DELETE FROM ledger_head"))
    with database.read() as session:
        assert ledger.head(session).size == 0


def test_a_reading_session_sees_one_snapshot(database):
    with database.read() as reader:
        assert ledger.head(reader).size == 0
        with database.write() as writer:
            ledger.append(writer, kind="report", subject="x", content={})
        assert ledger.head(reader).size == 0
    with database.read() as reader:
        assert ledger.head(reader).size == 1


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2031, 1, 2, 3, 4, 5, 678901, tzinfo=UTC),
        datetime(2031, 1, 2, 3, 4, 5, 0, tzinfo=timezone(timedelta(hours=-9, minutes=-30))),
        datetime(2031, 7, 1, 0, 30, tzinfo=timezone(timedelta(hours=14))),
    ],
)
def test_moments_come_back_aware_in_utc_to_the_microsecond(database, moment):
    with database.write() as session:
        household = Household(created_at=moment)
        session.add(household)
    with database.read() as session:
        kept = session.get_one(Household, household.id).created_at
    assert kept == moment
    assert kept.utcoffset() == timedelta(0)


def test_a_moment_without_a_zone_is_refused(database):
    with pytest.raises(StatementError, match="no time zone"), database.write() as session:
        session.add(Household(created_at=datetime(2031, 1, 1)))  # noqa: DTZ001  # that is the point


def test_sqlite_is_set_up_for_safety_on_both_sides(sqlite_url):
    database = Database(sqlite_url)
    for side, query_only in ((database.read, 1), (database.write, 0)):
        with side() as session:
            pragmas = {
                name: session.execute(text(f"PRAGMA {name}")).scalar_one()
                for name in ("journal_mode", "foreign_keys", "synchronous", "busy_timeout", "query_only")
            }
        assert pragmas == {
            "journal_mode": "wal",
            "foreign_keys": 1,
            "synchronous": 2,
            "busy_timeout": 5000,
            "query_only": query_only,
        }
    database.dispose()


def test_a_sqlite_file_locked_by_another_is_unavailable_not_broken(sqlite_url, monkeypatch):
    monkeypatch.setattr(database_module, "_SQLITE_BUSY_MS", 20)
    one, other = Database(sqlite_url), Database(sqlite_url)
    with one.write() as session:
        session.connection()
        with pytest.raises(Unavailable), other.write() as late:
            late.connection()
        with other.read() as reader:
            assert ledger.head(reader).size == 0
        other.ping()
    with other.write() as session:
        ledger.append(session, kind="report", subject="x", content={})
    one.dispose()
    other.dispose()


def test_writers_of_one_process_wait_their_turn_and_no_longer_than_the_limit(sqlite_url, monkeypatch):
    monkeypatch.setattr(database_module, "_SQLITE_BUSY_MS", 20)
    database = Database(sqlite_url)
    with database.write() as session, ThreadPoolExecutor(1) as pool:
        session.connection()

        def write():
            with database.write() as late:
                late.connection()

        with pytest.raises(Unavailable):
            pool.submit(write).result()
    database.dispose()


def test_a_full_disk_is_unavailable(sqlite_url):
    database = Database(sqlite_url)
    with pytest.raises(Unavailable), database.write() as session:
        pages = session.execute(text("PRAGMA page_count")).scalar_one()
        session.execute(text(f"PRAGMA max_page_count = {pages}"))
        ledger.append(session, kind="report", subject="x", content={"text": "long" * 20_000})
    database.dispose()


@pytest.mark.parametrize(
    "url",
    ["sqlite:////nowhere/at/all.db", "postgresql://somebody@127.0.0.1:1/none", "postgres://somebody@127.0.0.1:1/none"],
)
def test_a_database_out_of_reach_is_unavailable(url):
    database = Database(url)
    with pytest.raises(Unavailable):
        database.ping()
    with pytest.raises(Unavailable), database.read() as session:
        ledger.head(session)
    database.dispose()


@pytest.mark.parametrize(
    "url", ["sqlite://", "sqlite:///:memory:", "mysql://somebody@somewhere/x", "postgresql+psycopg2://a/b"]
)
def test_other_urls_are_refused(url):
    with pytest.raises(ValueError, match="a record"):
        Database(url)


def test_a_fault_of_ours_is_not_called_unavailable(database):
    with pytest.raises(DBAPIError), database.read() as session:
        session.execute(text("SELECT nothing FROM nowhere"))


def test_the_pool_gives_up_when_it_is_used_up(open_database, monkeypatch):
    monkeypatch.setattr(database_module, "_SQLITE_BUSY_MS", 20)
    monkeypatch.setattr(database_module, "_POSTGRES_POOL_WAIT_S", 0.02)
    database = open_database(pool_size=1)
    with database.read() as session:
        ledger.head(session)
        with pytest.raises(Unavailable), database.read() as second:
            ledger.head(second)


@pytest.mark.postgres
def test_a_broken_connection_is_unavailable_and_the_next_one_works(postgres_url):
    database, killer = Database(postgres_url), Database(postgres_url)
    with pytest.raises(Unavailable), database.write() as session:
        number = session.execute(text("SELECT pg_backend_pid()")).scalar_one()
        with killer.write() as other:
            other.execute(text("SELECT pg_terminate_backend(:number)"), {"number": number})
        session.execute(text("SELECT 1"))
    database.ping()
    database.dispose()
    killer.dispose()


@pytest.mark.postgres
def test_a_deadlock_is_run_again_until_both_have_been_written(postgres_url):
    database = Database(postgres_url)
    with database.write() as session:
        households = [Household(created_at=datetime.now(UTC)) for _ in range(2)]
        session.add_all(households)
    both_hold_one = threading.Barrier(2)
    runs = []

    def work(session, order):
        runs.append(order)
        lock = text("UPDATE household SET join_code_hash = :code WHERE id = :id")
        session.execute(lock, {"code": f"{order}-first", "id": households[order].id})
        if len(runs) <= 2:
            both_hold_one.wait()
        session.execute(lock, {"code": f"{order}-second", "id": households[1 - order].id})

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda order: database.run_write(lambda session: work(session, order)), (0, 1)))
    assert len(runs) == 3
    database.dispose()


@pytest.mark.postgres
def test_contention_without_end_is_reported_in_the_end(postgres_url, monkeypatch):
    monkeypatch.setattr(time, "sleep", lambda _: None)
    database = Database(postgres_url)
    runs = []

    def work(session):
        runs.append(1)
        session.execute(text("DO $$ BEGIN RAISE EXCEPTION USING ERRCODE = '40001'; END $$"))

    with pytest.raises(Contended):
        database.run_write(work)
    assert len(runs) == 4
    database.dispose()


@pytest.mark.postgres
def test_reads_may_come_from_elsewhere(postgres_server, postgres_url):
    elsewhere = postgres_server.create()
    with ExitStack() as stack:
        stack.callback(postgres_server.drop, elsewhere)
        replica = Database(elsewhere)
        stack.callback(replica.dispose)
        replica.migrate()
        database = Database(postgres_url, read_url=elsewhere)
        stack.callback(database.dispose)
        with database.write() as session:
            ledger.append(session, kind="report", subject="x", content={})
        with database.read() as session:
            assert ledger.head(session).size == 1
        with database.read(from_replica=True) as session:
            assert ledger.head(session).size == 0
        assert database.has_replica
        database.ping()


def test_without_a_replica_every_read_is_from_the_record_itself(database):
    assert not database.has_replica
    with database.write() as session:
        ledger.append(session, kind="report", subject="x", content={})
    with database.read(from_replica=True) as session:
        assert ledger.head(session).size == 1


def test_a_backup_is_a_whole_record(sqlite_url, tmp_path):
    database, copy = Database(sqlite_url), tmp_path / "copy.db"
    with database.write() as session:
        ledger.append(session, kind="report", subject="x", content={})
    with database.write() as session:
        ledger.append(session, kind="report", subject="y", content={})
        session.flush()
        database.backup(copy)
    with pytest.raises(Conflict, match="already"):
        database.backup(copy)
    copied = Database(f"sqlite:///{copy}")
    with copied.read() as session:
        assert verify(session).whole
        assert ledger.head(session).size == 1
    copied.dispose()
    database.dispose()


@pytest.mark.postgres
def test_a_backup_of_postgresql_is_left_to_its_own_tool(postgres_url, tmp_path):
    database = Database(postgres_url)
    with pytest.raises(Conflict, match="pg_dump"):
        database.backup(tmp_path / "copy")
    database.dispose()


@pytest.mark.postgres
def test_a_postgresql_server_that_vanishes_is_noticed_and_the_address_may_say_how_soon(postgres_url):
    database = Database(f"{postgres_url}&keepalives_idle=3")
    with database.read() as session:
        asked = session.connection().connection.driver_connection.info.get_parameters()
    database.dispose()
    assert (asked["keepalives_idle"], asked["keepalives_count"], asked["tcp_user_timeout"]) == ("3", "3", "20000")
    assert "lock_timeout=5s" in asked["options"]
