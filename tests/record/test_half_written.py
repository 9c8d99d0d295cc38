"""What a power cut leaves of SQLite's write-ahead log: every whole commit counts, half a one never happened."""

import random
import shutil
from pathlib import Path

import pytest
from sqlalchemy import text

from service.record import ledger
from service.record.database import Database
from service.record.verify import verify
from tests.record import builders

COMMITS = 12


@pytest.fixture
def logged(sqlite_url):
    """A record whose last commits are in the log alone: its file, and how long the log was after each commit."""
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    log = path.with_name(f"{path.name}-wal")
    database = Database(sqlite_url)
    with database.write() as session:
        session.execute(text("PRAGMA wal_autocheckpoint = 0"))
        author = builders.contributor(session)
        question = builders.question(session, author)
    ends = []
    for _ in range(COMMITS):
        with database.write() as session:
            builders.replication(session, question, author)
        ends.append((log.stat().st_size, _size(database)))
    kept = path.with_name("kept.db")
    shutil.copy(path, kept)
    shutil.copy(log, f"{kept}-wal")
    database.dispose()
    return kept, ends


def _size(database):
    with database.read() as session:
        return ledger.head(session).size


def opened_after(logged, tmp_path, damage):
    """The ledger's size in a copy whose log was damaged; what is there must be whole, and can be written on."""
    kept, _ = logged
    copy = tmp_path / "copy.db"
    for leftover in tmp_path.glob("copy.db*"):
        leftover.unlink()
    shutil.copy(kept, copy)
    Path(f"{copy}-wal").write_bytes(damage(Path(f"{kept}-wal").read_bytes()))
    database = Database(f"sqlite:///{copy}")
    with database.read() as session:
        report = verify(session)
        assert report.whole, report.problems
        assert session.execute(text("PRAGMA integrity_check")).scalars().all() == ["ok"]
    size = _size(database)
    with database.write() as session:
        author = builders.contributor(session)
        builders.question(session, author)
    with database.read() as session:
        assert verify(session).whole
    database.dispose()
    return size


def expected(logged, length):
    """What had been committed when the log was this long; before all of it lies what the file itself has."""
    _, ends = logged
    return max((size for end, size in ends if end <= length), default=None)


def lengths(logged):
    _, ends = logged
    chosen = random.Random(20310517)  # noqa: S311  # any lengths will do
    at_the_ends = [end + step for end, _ in ends[-4:] for step in (-1, 0, 1)]
    return [*at_the_ends, *(chosen.randint(ends[0][0], ends[-1][0]) for _ in range(12))]


def test_a_log_that_ends_anywhere_gives_every_whole_commit_before_it(logged, tmp_path):
    for length in lengths(logged):
        assert opened_after(logged, tmp_path, lambda log, length=length: log[:length]) == expected(logged, length)


def test_a_log_whose_end_is_nonsense_gives_every_whole_commit_before_it(logged, tmp_path):
    nonsense = random.Random(1).randbytes(100_000)  # noqa: S311  # likewise
    for length in lengths(logged)[::3]:
        size = opened_after(logged, tmp_path, lambda log, length=length: log[:length] + nonsense[: len(log) - length])
        assert size == expected(logged, length)


def test_a_log_with_a_bit_turned_gives_every_whole_commit_before_it(logged, tmp_path):
    for length in lengths(logged)[1::3]:

        def turn(log, length=length):
            damaged = bytearray(log)
            damaged[min(length, len(log) - 1)] ^= 1
            return bytes(damaged)

        assert opened_after(logged, tmp_path, turn) >= (expected(logged, length - 4096 - 24) or 0)


def test_without_its_log_the_file_is_what_it_was_at_the_last_checkpoint(logged, tmp_path):
    assert opened_after(logged, tmp_path, lambda _log: b"") == 0
