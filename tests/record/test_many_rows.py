from datetime import UTC, datetime, timedelta, timezone
from uuid import UUID

import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from service.record.many_rows import ManyRows
from service.record.tables import Household, LedgerHead, table_of

HOUSEHOLDS = ManyRows(Household, ("created_at", "id", "join_code_hash"))
NOON = datetime(2031, 5, 17, 12, tzinfo=UTC)


@pytest.fixture(params=[ManyRows.insert, ManyRows.copy])
def write(request):
    return request.param


def kept(database):
    table = table_of(Household)
    with database.read() as session:
        return [tuple(row) for row in session.execute(select(table).order_by(table.c.id))]


def test_rows_come_back_as_they_were_given(database, write):
    elsewhere = NOON.astimezone(timezone(timedelta(hours=-7)))
    with database.write() as session:
        write(HOUSEHOLDS, session.connection(), [(NOON, UUID(int=1), None), (elsewhere, UUID(int=2), "tab\t\\N\n'é")])
        write(HOUSEHOLDS, session.connection(), [])
    assert kept(database) == [(UUID(int=1), None, NOON), (UUID(int=2), "tab\t\\N\n'é", NOON)]


def test_text_in_a_json_column_is_taken_as_it_is(database, write):
    with database.write() as session:
        session.execute(table_of(LedgerHead).delete())
        heads = ManyRows(LedgerHead, ("id", "size", "root_hash", "frontier"))
        write(heads, session.connection(), [(1, 0, "", '["\\t", "\\"", "é"]')])
    with database.read() as session:
        assert session.execute(select(table_of(LedgerHead).c.frontier)).scalar_one() == ["\t", '"', "é"]


def test_a_row_that_cannot_be_undoes_all(database, write):
    with pytest.raises(IntegrityError), database.write() as session:
        write(HOUSEHOLDS, session.connection(), [(NOON, UUID(int=1), "a"), (NOON, UUID(int=2), "a")])
    assert kept(database) == []
    with database.write() as session:
        write(HOUSEHOLDS, session.connection(), [(NOON, UUID(int=3), "a")])
    assert len(kept(database)) == 1
