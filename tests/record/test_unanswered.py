# ruff: noqa: PT012  # what raises is the end of a session's block

import pytest
from sqlalchemy import insert, select, text
from sqlalchemy.exc import IntegrityError

from service.record.clock import utc_now
from service.record.database import Database
from service.record.errors import Unavailable
from service.record.tables import Household, table_of
from service.record.unanswered import unanswered

HOUSEHOLDS = table_of(Household)


def households(database):
    with database.read() as session:
        return (
            session.execute(select(HOUSEHOLDS.c.join_code_hash).order_by(HOUSEHOLDS.c.join_code_hash)).scalars().all()
        )


def add(connection, *codes):
    rows = [{"join_code_hash": code, "created_at": utc_now()} for code in codes]
    connection.execute(insert(HOUSEHOLDS), rows)


def test_what_was_sent_is_there_in_order(database):
    with database.write() as session:
        with unanswered(session.connection()):
            add(session.connection(), "a")
            add(session.connection(), "b", "c")
            session.connection().execute(HOUSEHOLDS.update().values(join_code_hash=HOUSEHOLDS.c.join_code_hash + "!"))
        assert session.execute(select(HOUSEHOLDS.c.id)).all()
    assert households(database) == ["a!", "b!", "c!"]


@pytest.mark.parametrize("after", [(), ("d",), ("d", "e")])
def test_a_fault_is_raised_by_the_end_of_the_block_and_undoes_everything(database, after):
    with database.write() as session:
        add(session.connection(), "a")
    with pytest.raises(IntegrityError), database.write() as session:
        connection = session.connection()
        with unanswered(connection):
            add(connection, "b")
            add(connection, "a")
            for code in after:
                add(connection, code)
        raise AssertionError("the block ended without the fault")
    assert households(database) == ["a"]
    with database.write() as session, unanswered(session.connection()):
        add(session.connection(), "f")
    assert households(database) == ["a", "f"]


@pytest.mark.postgres
@pytest.mark.parametrize("when", ["before", "last"])
def test_a_connection_that_is_cut_is_told_as_unavailable(postgres_url, when):
    database, killer = Database(postgres_url), Database(postgres_url)

    def cut(connection):
        with killer.write() as other:
            number = connection.connection.driver_connection.info.backend_pid
            other.execute(text("SELECT pg_terminate_backend(:number, 5000)"), {"number": number})

    with pytest.raises(Unavailable), database.write() as session:
        connection = session.connection()
        with unanswered(connection):
            if when == "before":
                cut(connection)
            add(connection, "a")
            if when == "last":
                cut(connection)
        raise AssertionError("the block ended without the fault")
    assert households(database) == []
    with database.write() as session:
        add(session.connection(), "b")
    assert households(database) == ["b"]
    for each in (database, killer):
        each.dispose()
