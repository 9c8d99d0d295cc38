# ruff: noqa: PT012  # what raises is the end of a session's block

import hashlib
import itertools
import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import text, update
from uuid_utils.compat import uuid7

from service.record import ledger, merkle
from service.record.database import Database
from service.record.errors import NotCanonical, NotFound
from service.record.merkle import EMPTY_ROOT
from service.record.tables import LedgerHead
from service.record.verify import verify

NOON = datetime(2031, 5, 17, 12, tzinfo=UTC)


def append(session, content=None, **given):
    return ledger.append(session, **{"kind": "report", "subject": "somebody", "content": content or {"n": 1}} | given)


def test_an_empty_ledger_has_the_hash_of_nothing(database):
    with database.read() as session:
        head = ledger.head(session)
        assert (head.size, head.root_hash, head.at) == (0, EMPTY_ROOT.hex(), None)
        assert verify(session).whole


def test_a_leaf_can_be_recomputed_from_what_the_ledger_shows(open_database):
    database = open_database(clock=lambda: NOON)
    with database.write() as session:
        entry = append(session, {"b": 1.0, "a": "é"}, kind="question", subject="who")
    with database.read() as session:
        salt, content = session.execute(text("SELECT salt, content FROM ledger_content")).one()
    # RFC 8785: keys sorted, no spaces, 1.0 written as 1, text in UTF-8.
    assert content == '{"a":"é","b":1}'
    assert len(bytes.fromhex(salt)) == 32
    assert entry.content_hash == hashlib.sha256(bytes.fromhex(salt) + content.encode()).hexdigest()
    shown = (
        f'{{"at":"2031-05-17T12:00:00.000000Z","content_hash":"{entry.content_hash}",'
        '"kind":"question","position":1,"subject":"who"}'
    )
    assert entry.leaf_hash == hashlib.sha256(b"\x00" + shown.encode()).hexdigest()
    assert entry.root_hash == entry.leaf_hash


def test_equal_contents_have_different_hashes(database):
    with database.write() as session:
        assert append(session).content_hash != append(session).content_hash


def test_entries_come_back_in_order_and_in_pages(database):
    with database.write() as session:
        written = [append(session) for _ in range(5)]
    with database.read() as session:
        assert ledger.entries(session) == written
        assert ledger.entries(session, after=2, limit=2) == written[2:4]
        assert ledger.entry(session, 3) == written[2]
        head = ledger.head(session)
        assert (head.size, head.root_hash, head.at) == (5, written[-1].root_hash, written[-1].at)
        with pytest.raises(NotFound):
            ledger.entry(session, 6)


def test_content_comes_back_and_an_unknown_position_has_none(database):
    with database.write() as session:
        append(session, {"text": "so"})
    with database.read() as session:
        assert ledger.content_of(session, 1) == {"text": "so"}
        assert ledger.content_of(session, 2) is None


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**60, "\ud800", {1}])
def test_content_without_a_canonical_form_is_refused_and_nothing_is_written(database, value):
    with pytest.raises(NotCanonical), database.write() as session:
        append(session, {"value": value})
    with database.read() as session:
        assert ledger.head(session).size == 0


def test_an_undone_transaction_leaves_no_gap(database):
    with pytest.raises(RuntimeError), database.write() as session:
        append(session)
        raise RuntimeError
    with database.write() as session:
        assert append(session).position == 1


def test_time_never_steps_back_though_the_clock_does(open_database):
    ticks = iter([NOON, NOON - timedelta(hours=1), NOON + timedelta(microseconds=1)])
    with open_database(clock=lambda: next(ticks)).write() as session:
        times = [append(session).at for _ in range(3)]
        assert times == [NOON, NOON, NOON + timedelta(microseconds=1)]
        assert verify(session).whole


def test_positions_are_found_by_question_moment_and_day(open_database):
    ticks = iter([NOON, NOON + timedelta(hours=6), NOON + timedelta(days=1)])
    with open_database(clock=lambda: next(ticks)).write() as session:
        one, other = uuid7(), uuid7()
        for question_id in (one, other, one):
            append(session, question_id=question_id)
        assert ledger.last_position_of(session, one) == 3
        assert ledger.last_position_of(session, one, until=2) == 1
        assert ledger.last_position_of(session, uuid7()) == 0
        assert [entry.position for entry in ledger.question_entries(session, one)] == [3, 1]
        assert ledger.position_at(session, NOON - timedelta(microseconds=1)) == 0
        assert ledger.position_at(session, NOON) == 1
        assert ledger.position_at(session, date(2031, 5, 17)) == 2
        assert ledger.position_at(session, date(2031, 5, 18)) == 3
        assert ledger.position_at(session, date(2031, 5, 16)) == 0


def test_sixteen_writers_leave_no_gap_and_one_order(open_database):
    database = open_database(pool_size=16)

    def write(number):
        with database.write() as session:
            return append(session, subject=str(number)).position

    with ThreadPoolExecutor(16) as pool:
        positions = list(pool.map(write, range(96)))
    assert sorted(positions) == list(range(1, 97))
    with database.read() as session:
        report = verify(session)
    assert report.whole, report.problems
    assert report.size == report.contents == 96


def test_two_processes_worth_of_writers_share_one_record(open_database):
    databases = [open_database(), open_database()]

    def write(number):
        with databases[number % 2].write() as session:
            return append(session).position

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(write, range(20))) == list(range(1, 21))
    with databases[0].read() as session:
        assert verify(session).whole


TAMPERINGS = {
    "UPDATE ledger_entry SET subject = 'nobody' WHERE position = 2": (2, "leaf_hash"),
    "UPDATE ledger_entry SET root_hash = leaf_hash WHERE position = 2": (2, "root_hash"),
    "UPDATE ledger_entry SET subtree_hash = leaf_hash WHERE position = 2": (2, "subtree_hash"),
    "UPDATE ledger_content SET content = '{}' WHERE position = 1": (1, "content"),
    "DELETE FROM ledger_content WHERE position = 3": (3, "missing"),
    "UPDATE ledger_head SET size = 4": (3, "head"),
}


@pytest.mark.parametrize("statement", TAMPERINGS)
def test_whatever_is_changed_behind_its_back_is_found(database, statement):
    with database.write() as session:
        for _ in range(3):
            append(session)
    with database.write() as session:
        session.execute(text(statement))
    with database.read() as session:
        report = verify(session)
    position, words = TAMPERINGS[statement]
    assert not report.whole
    assert any(each.position == position and words in each.detail for each in report.problems), report.problems


def test_a_lost_entry_is_found(database):
    with database.write() as session:
        for _ in range(3):
            append(session)
    with database.write() as session:
        session.execute(text("DELETE FROM ledger_content WHERE position = 2"))
        session.execute(text("DELETE FROM ledger_entry WHERE position = 2"))
    with database.read() as session:
        assert any("position 2 should come here" in each.detail for each in verify(session).problems)


def test_a_time_that_steps_back_is_found(database):
    with database.write() as session:
        append(session)
        append(session)
        session.execute(text("UPDATE ledger_entry SET at = '2001-01-01 00:00:00.000000' WHERE position = 2"))
    with database.read() as session:
        assert any("time" in each.detail for each in verify(session).problems)


def test_a_long_ledger_is_verified_in_parts(database, monkeypatch):
    monkeypatch.setattr("service.record.verify._AT_ONCE", 4)
    with database.write() as session:
        for number in range(9):
            append(session, {"n": number})
    with database.read() as session:
        report = verify(session)
    assert report.whole
    assert report.size == 9


def test_many_contents_are_read_in_parts(database, monkeypatch):
    monkeypatch.setattr("service.record.ledger._AT_ONCE", 2)
    with database.write() as session:
        for number in range(1, 6):
            append(session, {"n": number})
    with database.read() as session:
        assert ledger.contents_of(session, range(1, 6)) == {number: {"n": number} for number in range(1, 6)}


def test_content_stays_json_that_others_can_read(database):
    document = {"deep": [{"a": None}, True, 0.1, "\x00 \U0001f347"]}
    with database.write() as session:
        append(session, document)
    with database.read() as session:
        assert json.loads(session.execute(text("SELECT content FROM ledger_content")).scalar_one()) == document


def _written_by(url, monkeypatch, append_them):
    """What a ledger holds after some appends, with salts and times that come out the same every time."""
    salts, moments = itertools.count(), itertools.cycle([NOON, NOON + timedelta(seconds=9), NOON - timedelta(hours=1)])
    monkeypatch.setattr(ledger.secrets, "token_bytes", lambda size: next(salts).to_bytes(size, "big"))
    database = Database(url, clock=lambda: next(moments))
    append_them(database)
    tables = ("ledger_entry", "ledger_content", "ledger_head")
    with database.read() as session:
        rows = [session.execute(text(f"SELECT * FROM {table} ORDER BY 1")).all() for table in tables]  # noqa: S608
        assert verify(session).whole
    database.dispose()
    return rows


@pytest.mark.parametrize("sizes", [(1, 1), (2, 3), (7,), (1, 64, 1), (5, 0, 100, 23)])
def test_appending_many_writes_what_as_many_single_appends_write(migrated_sqlite, tmp_path, monkeypatch, sizes):
    number = sum(sizes)
    question = uuid7()
    each = [
        {"kind": "report", "subject": f"s{n}", "content": {"n": n / 3}, "question_id": question if n % 2 else None}
        for n in range(number)
    ]

    def one_by_one(database):
        for given in each:
            with database.write() as session:
                ledger.append(session, **given)

    def in_batches(database):
        coming = iter(each)
        for size in sizes:
            with database.write() as session:
                batch = [ledger.pending(**given) for given in itertools.islice(coming, size)]
                assert [entry.subject for entry in ledger.append_all(session, batch)] == [p.subject for p in batch]

    written = []
    for name, way in (("one", one_by_one), ("many", in_batches)):
        copy = shutil.copy(migrated_sqlite, tmp_path / name)
        written.append(_written_by(f"sqlite:///{copy}", monkeypatch, way))
    assert written[0] == written[1]
    assert len(written[0][0]) == number


def test_many_appends_are_undone_together(database):
    with pytest.raises(KeyError), database.write() as session:
        ledger.append_all(session, [ledger.pending(kind="report", subject="x", content={}) for _ in range(3)])
        raise KeyError
    with database.read() as session:
        assert ledger.head(session).size == 0


@pytest.mark.parametrize("size", [99_999, 2**17 - 1])
def test_an_append_hashes_its_own_leaf_and_a_handful_of_subtrees_however_long_the_ledger(database, monkeypatch, size):
    hashed = []
    for name in ("leaf_hash", "node_hash"):
        once = getattr(merkle, name)
        monkeypatch.setattr(merkle, name, lambda *parts, once=once, name=name: hashed.append(name) or once(*parts))
    frontier = [f"{number:064x}" for number in range(size.bit_count())]
    with database.write() as session:
        session.execute(update(LedgerHead).values(size=size, frontier=frontier))
        hashed.clear()
        assert ledger.append(session, kind="report", subject="x", content={"so": "long"}).position == size + 1
    assert hashed.count("leaf_hash") == 1
    assert hashed.count("node_hash") <= 2 * size.bit_length()
