"""The append-only list of everything that evidence rests on, and the tree head over it."""

import hashlib
import json
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, time, timedelta
from operator import attrgetter
from typing import Any
from uuid import UUID

from sqlalchemy import bindparam, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import merkle
from service.record.canonical import Ordered, canonical_bytes, rfc3339
from service.record.clock import now
from service.record.errors import NotFound
from service.record.many_rows import ManyRows
from service.record.rows import Entry, Head, Kind
from service.record.tables import LedgerContent, LedgerEntry, LedgerHead, table_of
from service.record.unanswered import unanswered

# Both databases bound the parameters of one statement.
_AT_ONCE = 10_000
ENTRY_COLUMNS = (
    col(LedgerEntry.position),
    col(LedgerEntry.kind),
    col(LedgerEntry.subject),
    col(LedgerEntry.at),
    col(LedgerEntry.content_hash),
    col(LedgerEntry.leaf_hash),
    col(LedgerEntry.root_hash),
    col(LedgerEntry.question_id),
)
# Made once: every write runs these, and making a statement costs more than running it.
_HEAD = table_of(LedgerHead)
_TAKE_HEAD = (
    update(_HEAD).values(size=_HEAD.c.size + bindparam("added")).returning(_HEAD.c.size, _HEAD.c.at, _HEAD.c.frontier)
)
_WRITE_HEAD = update(_HEAD)
_READ_CONTENT = select(col(LedgerContent.content)).where(col(LedgerContent.position) == bindparam("position"))
_ENTRY = tuple(each.name for each in fields(Entry))
_ENTRIES = ManyRows(LedgerEntry, (*_ENTRY, "subtree_hash"))
_CONTENTS = ManyRows(LedgerContent, ("position", "salt", "content"))
_entry_values: Callable[[Entry], tuple[Any, ...]] = attrgetter(*_ENTRY)


@dataclass(frozen=True, slots=True)
class Pending:
    """What is about to become an entry; `text` is the canonical form of its content."""

    kind: Kind
    subject: str
    text: bytes
    question_id: UUID | None


def content_hash(salt: bytes, content: bytes) -> str:
    """Return the hex SHA-256 of a salt followed by canonical content; unsalted, short content could be guessed."""
    return hashlib.sha256(salt + content).hexdigest()


def leaf_bytes(*, position: int, kind: str, subject: str, at: datetime, content_hash: str) -> bytes:
    """Return the bytes that a leaf is the hash of: the RFC 8785 form of what the ledger shows of an entry."""
    shown = {
        "at": rfc3339(at),
        "content_hash": content_hash,
        "kind": kind,
        "position": position,
        "subject": subject,
    }
    return canonical_bytes(Ordered(shown))


def pending(*, kind: Kind, subject: str, content: Mapping[str, Any], question_id: UUID | None = None) -> Pending:
    """Write an entry's content in its canonical form; raise NotCanonical where it has none."""
    return Pending(kind, subject, canonical_bytes(content), question_id)


def append(
    session: Session, *, kind: Kind, subject: str, content: Mapping[str, Any], question_id: UUID | None = None
) -> Entry:
    """Add one entry at the end of the ledger.

    From here to the end of the transaction no other append can run, so positions have no gap and are in the order of
    the commits. Do everything slow before, and write the rows that carry the position right after. Lock the rows you
    mean to change before the first append, never after one: the head is always the last lock taken.

    Parameters
    ----------
    session : Session
        A session of `Database.write`.
    kind : str
        One of `rows.Kind`.
    subject : str
        Identifier of what the entry is about.
    content : mapping
        The document; only its salted hash is shown in the ledger.
    question_id : UUID or None
        Question whose evidence the entry touches.

    Raises
    ------
    NotCanonical
        The content has no RFC 8785 form.

    """
    coming = pending(kind=kind, subject=subject, content=content, question_id=question_id)
    return append_all(session, [coming])[0]


def append_all(session: Session, coming: Sequence[Pending], moments: Sequence[datetime] | None = None) -> list[Entry]:
    """Add entries at the end of the ledger, in order: one read and one write of the head, whatever their number.

    What is written is what as many calls of `append` would write; what is said there of locks holds here. `moments`
    says when each happened, where the session's clock doesn't show it.
    """
    if not coming:
        return []
    # The session would add nothing to these but time in which everybody else waits.
    connection = session.connection()
    size, at, hashes = connection.execute(_TAKE_HEAD, {"added": len(coming)}).one()
    frontier = merkle.Frontier(size - len(coming), tuple(bytes.fromhex(each) for each in hashes))
    entries: list[Entry] = []
    rows, contents = [], []
    for each, moment in zip(coming, moments or (now(session) for _ in coming), strict=True):
        at = moment if at is None else max(at, moment)
        salt = secrets.token_bytes(32)
        frontier, entry = _next(frontier, each, at, content_hash(salt, each.text))
        entries.append(entry)
        rows.append((*_entry_values(entry), frontier.hashes[-1].hex()))
        contents.append((entry.position, salt.hex(), each.text.decode()))
    grown = {"root_hash": entries[-1].root_hash, "at": at, "frontier": [each.hex() for each in frontier.hashes]}
    if len(rows) > 1:
        _ENTRIES.copy(connection, rows)
        _CONTENTS.copy(connection, contents)
        connection.execute(_WRITE_HEAD, grown)
        return entries
    with unanswered(connection):
        _ENTRIES.insert(connection, rows)
        _CONTENTS.insert(connection, contents)
        connection.execute(_WRITE_HEAD, grown)
    return entries


def _next(frontier: merkle.Frontier, coming: Pending, at: datetime, hashed: str) -> tuple[merkle.Frontier, Entry]:
    position = frontier.size + 1
    leaf = merkle.leaf_hash(
        leaf_bytes(position=position, kind=coming.kind, subject=coming.subject, at=at, content_hash=hashed)
    )
    grown = frontier.append(leaf)
    root_hash = grown.root().hex()
    return grown, Entry(position, coming.kind, coming.subject, at, hashed, leaf.hex(), root_hash, coming.question_id)


def head(session: Session) -> Head:
    """Return the tree head over the whole ledger."""
    size, root_hash, at = session.execute(
        select(col(LedgerHead.size), col(LedgerHead.root_hash), col(LedgerHead.at))
    ).one()
    return Head(size, root_hash, at)


def entries(session: Session, *, after: int = 0, limit: int = 50) -> list[Entry]:
    """Return up to `limit` entries whose position is above `after`, in order."""
    query = (
        select(*ENTRY_COLUMNS).where(col(LedgerEntry.position) > after).order_by(col(LedgerEntry.position)).limit(limit)
    )
    return [Entry(*row) for row in session.execute(query)]


def entry(session: Session, position: int) -> Entry:
    """Return the entry at a position; raise NotFound beyond the head."""
    row = session.execute(select(*ENTRY_COLUMNS).where(col(LedgerEntry.position) == position)).one_or_none()
    if row is None:
        raise NotFound(f"The ledger has no entry at position {position}.")
    return Entry(*row)


def question_entries(session: Session, question_id: UUID, *, limit: int = 50) -> list[Entry]:
    """Return the newest entries that touch a question, newest first."""
    query = (
        select(*ENTRY_COLUMNS)
        .where(col(LedgerEntry.question_id) == question_id)
        .order_by(col(LedgerEntry.position).desc())
        .limit(limit)
    )
    return [Entry(*row) for row in session.execute(query)]


def entries_about(session: Session, subject: str) -> list[Entry]:
    """Return every entry about a subject, in order."""
    query = select(*ENTRY_COLUMNS).where(col(LedgerEntry.subject) == subject).order_by(col(LedgerEntry.position))
    return [Entry(*row) for row in session.execute(query)]


def last_position_of(session: Session, question_id: UUID, *, until: int | None = None) -> int:
    """Return the largest position (up to `until`, where given) of an entry that touches a question; 0 for none."""
    query = select(col(LedgerEntry.position)).where(col(LedgerEntry.question_id) == question_id)
    if until is not None:
        query = query.where(col(LedgerEntry.position) <= until)
    return session.execute(query.order_by(col(LedgerEntry.position).desc()).limit(1)).scalar_one_or_none() or 0


def position_at(session: Session, moment: date | datetime) -> int:
    """Return the largest position written at or before a moment, or by the end (UTC) of a date; 0 for none."""
    if isinstance(moment, datetime):
        written = col(LedgerEntry.at) <= moment
    else:
        written = col(LedgerEntry.at) < datetime.combine(moment, time(), UTC) + timedelta(days=1)
    query = (
        select(col(LedgerEntry.position))
        .where(written)
        .order_by(col(LedgerEntry.at).desc(), col(LedgerEntry.position).desc())
        .limit(1)
    )
    return session.execute(query).scalar_one_or_none() or 0


def content_of(session: Session, position: int) -> dict[str, Any] | None:
    """Return the content written at a position; None where it was erased, or beyond the head."""
    content = session.execute(_READ_CONTENT, {"position": position}).scalar_one_or_none()
    return None if content is None else json.loads(content)


def contents_of(session: Session, positions: Iterable[int]) -> dict[int, dict[str, Any]]:
    """Return the contents written at some positions, without those that were erased."""
    found: dict[int, dict[str, Any]] = {}
    asked = list(positions)
    for first in range(0, len(asked), _AT_ONCE):
        query = select(col(LedgerContent.position), col(LedgerContent.content)).where(
            col(LedgerContent.position).in_(asked[first : first + _AT_ONCE])
        )
        found |= {position: json.loads(content) for position, content in session.execute(query)}
    return found
