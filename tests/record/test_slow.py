"""What is told of a slow statement: its text and its time, and none of the words that people sent."""

import sqlite3

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service.record import database as database_module
from service.record import slow
from service.record.database import Database
from service.record.errors import Unavailable
from tests.record import builders

SECRET = "plum wine of the neighbour"


@pytest.fixture
def told(database):
    told = []
    slow.watch(database.engines().values(), 0, lambda *what: told.append(what))
    return told


def test_a_statement_is_told_once_with_its_text_and_without_its_values(database, told):
    with database.write() as session:
        builders.contributor(session, display_name=SECRET)
    with database.read() as session:
        found = session.execute(text("SELECT count(*) FROM contributor WHERE display_name = :name"), {"name": SECRET})
        assert found.scalar_one() == 1
    texts = [statement for statement, _, _ in told]
    assert sum("INSERT INTO contributor" in each for each in texts) == 1
    assert sum("SELECT count(*) FROM contributor" in each for each in texts) == 1
    assert SECRET not in repr(told)
    assert all(seconds >= 0 and not failed for _, seconds, failed in told)


def test_what_somebody_wrote_into_the_text_is_left_out(database, told):
    with database.read() as session:
        session.execute(text(f"SELECT '{SECRET}', 'it''s {SECRET}'"))
    assert [each for each, _, _ in told if "SELECT '" in each] == ["SELECT '…', '…'"]


def test_what_fails_is_told_too(database, told):
    with pytest.raises(DBAPIError), database.read() as session:
        session.execute(text("SELECT 1 FROM no_such_table"))
    assert told[-1][0] == "SELECT 1 FROM no_such_table"
    assert told[-1][2] is True


def test_what_is_quick_is_not_told(database):
    told = []
    slow.watch(database.engines().values(), 60, lambda *what: told.append(what))
    with database.write() as session:
        builders.contributor(session)
    assert told == []


def test_waiting_for_the_lock_of_a_file_is_told(sqlite_url, monkeypatch):
    monkeypatch.setattr(database_module, "_SQLITE_BUSY_MS", 50)
    database = Database(sqlite_url)
    told = []
    slow.watch(database.engines().values(), 0.04, lambda *what: told.append(what))
    locker = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), isolation_level=None)
    locker.execute("BEGIN IMMEDIATE")
    with pytest.raises(Unavailable), database.write() as session:
        builders.contributor(session)
    locker.close()
    database.dispose()
    assert [(statement, failed) for statement, _, failed in told] == [("BEGIN IMMEDIATE", True)]


@pytest.mark.parametrize(
    ("statement", "shown"),
    [
        ("SELECT  a\n  FROM b", "SELECT a FROM b"),
        ("x IN (?, ?, ?, ?, ?)", "x IN (?, …)"),
        ("x IN (%(x_1)s::UUID, %(x_2)s::UUID, %(x_3)s::UUID, %(x_4)s::UUID)", "x IN (%(x_1)s::UUID, …)"),
        ("VALUES (?, ?)", "VALUES (?, ?)"),
        ("a" * 1001, "a" * 1000 + "…"),
    ],
)
def test_texts_are_kept_short(statement, shown):
    assert slow.template_of(statement) == shown
