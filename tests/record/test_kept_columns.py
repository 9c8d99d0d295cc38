"""Columns kept in the record spare a reading of the rows; whatever is wrong with them, the rows have the last word."""

import pytest
from sqlalchemy import text, update

from service.record import (
    changes,
    column_bytes,
    kept_columns,
    ledger,
    merging,
    question_columns,
    question_state,
    replications,
)
from service.record.database import Database
from service.record.erasure import erase
from service.record.errors import Conflict
from service.record.question_columns import KeptColumns
from service.record.tables import KeptColumn
from service.record.verify import verify
from tests.record import builders
from tests.record.test_question_columns import by_columns, columns_of, keep, plainly


@pytest.fixture(autouse=True)
def small(monkeypatch):
    """Let questions be large from one observation on."""
    monkeypatch.setattr(question_state, "LARGE", 0)


@pytest.fixture
def steward(database):
    with database.write() as session:
        return builders.contributor(session, steward=True)


@pytest.fixture
def asked(database, steward):
    with database.write() as session:
        question = builders.question(session, steward)
        for correct in range(5):
            builders.replication(
                session,
                question,
                builders.contributor(session),
                observations=[builders.observation(correct=correct, details={"note": f"jar {correct}", "n": correct})],
            )
    return question


def look(database, question):
    with database.read() as session:
        position = ledger.last_position_of(session, question.id)
        found = by_columns(session, question.id, position)
        assert found == plainly(session, question.id, position)
    return found


def look_anew(database, question):
    """Look as a process does that has just started."""
    database._columns = KeptColumns()
    return look(database, question)


def columns_in_memory(database, question):
    columns, _ = database._columns._kept[question.id]
    return columns


def positions(database):
    with database.read() as session:
        return session.execute(text("SELECT DISTINCT position FROM kept_column ORDER BY position")).scalars().all()


def one_more(database, question):
    with database.write() as session:
        return builders.replication(session, question, builders.contributor(session))


def test_what_was_kept_is_read_again_by_no_row_and_followed(database, asked, readings):
    first = look(database, asked)
    database.keep_columns(asked.id)
    assert look_anew(database, asked) == first
    assert readings == ["all"]
    one_more(database, asked)
    assert len(look_anew(database, asked)[0]) == 6
    assert readings == ["all", 1]


def test_they_are_kept_anew_once_a_tenth_would_be_read_again(database, asked):
    look(database, asked)
    database.keep_columns(asked.id)
    (first,) = positions(database)
    database.keep_columns(asked.id)
    assert positions(database) == [first]
    one_more(database, asked)
    look_anew(database, asked)
    database.keep_columns(asked.id)
    (second,) = positions(database)
    assert second > first
    with database.write() as session:
        for _ in range(14):
            builders.replication(session, asked, builders.contributor(session))
    look(database, asked)
    database.keep_columns(asked.id)
    (third,) = positions(database)
    one_more(database, asked)
    look(database, asked)
    database.keep_columns(asked.id)
    assert positions(database) == [third]


def test_once_written_the_packed_columns_stand_in_memory_too(database, asked, readings):
    first = look(database, asked)
    before = columns_in_memory(database, asked)
    database.keep_columns(asked.id)
    after = columns_in_memory(database, asked)
    assert after.size_bytes() < before.size_bytes()
    assert look(database, asked) == first
    one_more(database, asked)
    database._columns.put_packed(after)
    assert len(look(database, asked)[0]) == 6
    database._columns.put_packed(after)
    assert len(look(database, asked)[0]) == 6
    assert readings == ["all", 1]


def test_small_questions_are_not_kept(database, asked, monkeypatch):
    monkeypatch.setattr(question_state, "LARGE", 5)
    look(database, asked)
    database.keep_columns(asked.id)
    assert positions(database) == []


def test_large_questions_are_brought_up_to_date_and_no_others(database, asked, steward, monkeypatch):
    monkeypatch.setattr(question_state, "LARGE", 4)
    with database.write() as session:
        small = builders.question(session, steward)
        for _ in range(4):
            builders.replication(session, small, builders.contributor(session))
    database.keep_large_columns()
    (first,) = positions(database)
    one_more(database, asked)
    database.keep_large_columns()
    (second,) = positions(database)
    assert second > first
    with database.read() as session:
        large = question_columns.large_questions(session)
        assert asked.id in large
        assert small.id not in large
        assert len(question_columns.large_questions(session, most=1)) == 1
        assert kept_columns.read(session, small.id, second + 1) is None


def test_what_nobody_read_is_not_kept(database, asked):
    database.keep_columns(asked.id)
    assert positions(database) == []


def damaged(values, *, name=None):
    def damage(session):
        statement = update(KeptColumn).values(values)
        session.execute(statement if name is None else statement.where(KeptColumn.name == name))

    return damage


def without(name):
    return lambda session: session.execute(text("DELETE FROM kept_column WHERE name = :name"), {"name": name})


@pytest.mark.parametrize(
    "spoil",
    [
        damaged({"layout": column_bytes.LAYOUT + 1}),
        damaged({"content": b""}),
        damaged({"content": b"x\x9c"}, name="observed difference"),
        damaged({"content": column_bytes.zlib.compress(b"no array")}, name="started code household_id"),
        damaged({"content": column_bytes.zlib.compress(b"[")}, name="observed outcome texts"),
        damaged({"content": column_bytes._closed("observed sham", column_bytes.np.zeros(5))}, name="observed id"),
        damaged({"content": column_bytes.zlib.compress(b"")}, name="observed code outcome"),
        without("observed start"),
        without("family"),
    ],
)
def test_what_is_damaged_or_of_another_layout_is_passed_over_and_written_anew(database, asked, readings, spoil):
    first = look(database, asked)
    database.keep_columns(asked.id)
    with database.write() as session:
        spoil(session)
    assert look_anew(database, asked) == first
    database.keep_columns(asked.id)
    assert look_anew(database, asked) == first
    assert readings == ["all", "all"]


def test_what_is_newer_than_the_state_that_is_read_is_passed_over(database, asked, readings):
    look(database, asked)
    database.keep_columns(asked.id)
    (position,) = positions(database)
    with database.read() as session:
        assert kept_columns.read(session, asked.id, position) is not None
        assert kept_columns.read(session, asked.id, position - 1) is None


def test_of_two_the_newer_one_is_kept(database, asked):
    with database.read() as session:
        older = columns_of(session, asked.id)
    one_more(database, asked)
    with database.read() as session:
        newer = columns_of(session, asked.id)
    with database.write() as session:
        keep(session, newer)
    with pytest.raises(Conflict, match="later"), database.write() as session:
        keep(session, older)
    with database.write() as session:
        keep(session, newer)
    assert positions(database) == [newer.position]


def test_a_record_that_takes_no_writes_keeps_nothing_and_answers(database, asked, monkeypatch):
    first = look(database, asked)
    monkeypatch.setattr(database, "write", database.read)
    database.keep_columns(asked.id)
    monkeypatch.undo()
    assert look(database, asked) == first
    assert positions(database) == []


def erased(session, asked, steward, leaving):
    erase(session, leaving)


def merged(session, asked, steward, leaving):
    other = builders.question(session, steward)
    merging.merge(session, question=asked, into=other, steward=steward, reason="the same")


@pytest.mark.parametrize("act", [erased, merged])
def test_nothing_is_kept_after_an_erasure_or_a_merge_of_what_was_read_before(database, asked, steward, act):
    with database.write() as session:
        leaving = builders.contributor(session)
        builders.replication(session, asked, leaving)
    with database.read() as session:
        before = columns_of(session, asked.id)
    with database.write() as session:
        keep(session, before)
    with database.write() as session:
        act(session, asked, steward, leaving)
    assert positions(database) == []
    with pytest.raises(Conflict, match="erased or merged"), database.write() as session:
        keep(session, before)
    look(database, asked)
    with database.read() as session:
        assert verify(session).whole


def test_an_erasure_reaches_what_is_kept_of_questions_theirs_were_merged_into(database, asked, steward):
    """One that was only registered has no observation there, and is among those that were started."""
    with database.write() as session:
        leaving = builders.contributor(session)
        builders.replication(session, asked, leaving, state="registered")
        second, third = (builders.question(session, steward) for _ in range(2))
        merging.merge(session, question=asked, into=second, steward=steward, reason="")
    with database.read() as session:
        kept = columns_of(session, second.id)
    with database.write() as session:
        merging.merge(session, question=second, into=third, steward=steward, reason="")
    with database.read() as session:
        kept = [columns_of(session, each.id) for each in (second, third)]
    with database.write() as session:
        for each in kept:
            keep(session, each)
        erase(session, leaving)
    assert positions(database) == []


def test_more_than_an_eighth_of_the_rows_is_read_as_a_whole_and_less_is_followed(
    database, asked, readings, monkeypatch
):
    monkeypatch.setattr(question_columns, "_MOST_FOLLOWED", 0)
    with database.write() as session:
        for _ in range(19):
            builders.replication(session, asked, builders.contributor(session))
    look(database, asked)
    for count in (3, 4):
        with database.write() as session:
            for _ in range(count):
                builders.replication(session, asked, builders.contributor(session))
        look(database, asked)
    assert readings == ["all", 3, "all"]


def test_many_changes_are_read_in_parts_and_stand_in_order(database, asked, steward, monkeypatch):
    monkeypatch.setattr("service.record.start_columns._ASKED_AT_ONCE", 2)
    with database.write() as session:
        registered = [
            builders.replication(session, asked, builders.contributor(session), state="registered") for _ in range(5)
        ]
    look(database, asked)
    with database.write() as session:
        new = [builders.replication(session, asked, builders.contributor(session)) for _ in range(5)]
        for one in reversed(registered):
            replications.submit(
                session,
                replication=one,
                document={},
                fingerprint="",
                trials=[],
                observations=[builders.observation()],
            )
        replications.retract(session, replication=new[0], steward=steward, category="consent", reason="")
    look(database, asked)
    with database.read() as session:
        assert len(changes.since(session, asked.id, 1, 100).replications) == 15


def test_kept_columns_travel_with_a_copy(sqlite_url, tmp_path):
    database = Database(sqlite_url)
    with database.write() as session:
        question = builders.question(session, builders.contributor(session, steward=True))
        builders.replication(session, question, builders.contributor(session))
    first = look(database, question)
    database.keep_columns(question.id)
    database.backup(tmp_path / "copy.db")
    database.dispose()
    copy = Database(f"sqlite:///{tmp_path / 'copy.db'}")
    assert positions(copy) == positions(database)
    assert look(copy, question) == first
    copy.dispose()
    database.dispose()
