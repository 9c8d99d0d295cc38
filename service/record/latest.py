"""The last ledger position of each question, cheap enough to ask on the event loop."""

import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol
from uuid import UUID

from service.record.database import Database

_STALE_AFTER_SECONDS = 1.0
_MOST_KEPT = 10_000


@dataclass(frozen=True, slots=True)
class Latest:
    """A question, and the last ledger position that touches it."""

    question_id: UUID
    position: int


class LatestPositions(Protocol):
    """Where evidence stands, by slug; None where it isn't known without asking the record."""

    def of(self, slug: str) -> Latest | None:
        """Look a question up without waiting for anything."""

    def remember(self, slug: str, latest: Latest) -> None:
        """Take note of what a read of the record found."""

    def forget(self) -> None:
        """Take note that this process has written."""


class OnSqlite:
    """Asks the file itself: a read by index takes microseconds, and in write-ahead mode waits for no writer."""

    _QUESTION = "SELECT id FROM question WHERE slug = ?"
    _POSITION = "SELECT position FROM ledger_entry WHERE question_id = ? ORDER BY position DESC LIMIT 1"

    def __init__(self, file: str) -> None:
        self._file = file
        self._connection: sqlite3.Connection | None = None
        self._ids: dict[str, str] = {}

    def of(self, slug: str) -> Latest | None:
        """Look a question up in the file as it is now."""
        try:
            if self._connection is None:
                self._connection = sqlite3.connect(
                    f"file:{self._file}?mode=ro", uri=True, check_same_thread=False, isolation_level=None, timeout=0
                )
            stored = self._ids.get(slug)
            if stored is None:
                row = self._connection.execute(self._QUESTION, (slug,)).fetchone()
                if row is None:
                    return None
                stored = str(row[0])
                if len(self._ids) < _MOST_KEPT:
                    self._ids[slug] = stored
            row = self._connection.execute(self._POSITION, (stored,)).fetchone()
        except sqlite3.Error:
            # Whatever is wrong, the ordinary way finds it out and says it.
            self._connection = None
            return None
        return None if row is None else Latest(UUID(stored), int(row[0]))

    def remember(self, slug: str, latest: Latest) -> None:
        """Nothing is kept: the file is asked each time."""

    def forget(self) -> None:
        """Nothing is kept."""


class InMemory:
    """Keeps what was read for a second: a server across a network can't be asked on the event loop."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._known: dict[str, tuple[Latest, float]] = {}

    def of(self, slug: str) -> Latest | None:
        """Give what was read less than a second ago."""
        latest, read_at = self._known.get(slug, (None, 0.0))
        return latest if latest is not None and self._clock() - read_at < _STALE_AFTER_SECONDS else None

    def remember(self, slug: str, latest: Latest) -> None:
        """Keep what was just read."""
        if len(self._known) >= _MOST_KEPT:
            self._known.clear()
        self._known[slug] = (latest, self._clock())

    def forget(self) -> None:
        """Drop everything: whoever wrote through this process sees their own write at once."""
        self._known.clear()


def latest_positions(database: Database) -> LatestPositions:
    """Choose the way that suits a record."""
    if database.dialect == "sqlite":
        return OnSqlite(str(database.url.database))
    return InMemory()
