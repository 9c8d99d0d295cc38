"""Where evidence stands, asked without waiting."""

import pytest

from service.record import ledger
from service.record.database import Database
from service.record.latest import InMemory, Latest, OnSqlite, latest_positions
from tests.record import builders


def test_a_question_s_last_position_is_the_ledger_s(database):
    latest = latest_positions(database)
    with database.write() as session:
        question = builders.question(session, builders.contributor(session))
    with database.read() as session:
        position = ledger.last_position_of(session, question.id)
    latest.remember(question.slug, Latest(question.id, position))
    assert latest.of(question.slug) == Latest(question.id, position)
    assert latest.of("nobody-asked") is None


@pytest.fixture
def on_sqlite(sqlite_url):
    return OnSqlite(sqlite_url.removeprefix("sqlite:///"))


def test_another_process_s_write_is_seen_at_once(sqlite_url, on_sqlite):
    database = Database(sqlite_url)
    with database.write() as session:
        question = builders.question(session, builders.contributor(session))
    before = on_sqlite.of(question.slug)
    with database.write() as session:
        builders.replication(session, question, builders.contributor(session))
    assert on_sqlite.of(question.slug).position > before.position
    database.dispose()


def test_a_file_that_cannot_be_read_is_left_to_the_ordinary_way(tmp_path):
    assert OnSqlite(str(tmp_path / "none.db")).of("anything") is None
    (tmp_path / "broken.db").write_bytes(b"no database")
    assert OnSqlite(str(tmp_path / "broken.db")).of("anything") is None


def test_what_was_read_over_a_second_ago_is_asked_anew():
    moment = [0.0]
    latest = InMemory(lambda: moment[0])
    known = Latest(None, 5)
    latest.remember("q", known)
    moment[0] = 0.9
    assert latest.of("q") == known
    moment[0] = 1.1
    assert latest.of("q") is None


def test_who_writes_sees_it_at_once():
    latest = InMemory()
    latest.remember("q", Latest(None, 5))
    latest.forget()
    assert latest.of("q") is None
