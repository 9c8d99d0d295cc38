"""Answers kept for seven days, so that a repeated request gets the same one."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy import bindparam, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session
from uuid_utils.compat import uuid7

from service.record import faults
from service.record.clock import now
from service.record.errors import IdempotencyMismatch, InFlight
from service.record.tables import IdempotencyKey, table_of

KEPT = timedelta(days=7)
_LOCK_NOT_AVAILABLE = "55P03"

# Made once: every creating write runs these, and making a statement costs more than running it.
_KEYS = table_of(IdempotencyKey)
_UNIQUE = ("contributor_id", "method", "path", "key")
_FRESH = ("request_hash", "created_at", "status", "location", "etag", "body")
_CLAIM = {
    dialect: (made := insert(_KEYS))
    .on_conflict_do_update(
        index_elements=_UNIQUE,
        # A key that was kept for its seven days is as good as new.
        set_={name: made.excluded[name] for name in _FRESH},
        where=_KEYS.c.created_at < bindparam("kept_since"),
    )
    .returning(_KEYS.c.id)
    for dialect, insert in (("postgresql", postgresql.insert), ("sqlite", sqlite.insert))
}
_KEPT = select(_KEYS).where(*(_KEYS.c[name] == bindparam(name) for name in _UNIQUE))
_COMPLETE = update(_KEYS).where(*(_KEYS.c[name] == bindparam(f"of_{name}") for name in _UNIQUE))
_OLDEST = select(_KEYS.c.created_at).order_by(_KEYS.c.created_at).limit(1)
_OLD = select(_KEYS.c.id).where(_KEYS.c.created_at < bindparam("kept_since")).limit(bindparam("at_most"))


@dataclass(frozen=True, slots=True)
class Replay:
    """The answer that the first request got."""

    status: int
    location: str | None
    etag: str | None
    body: bytes


def claim(
    session: Session, *, contributor_id: UUID, method: str, path: str, key: str, request_hash: str
) -> Replay | None:
    """Take an idempotency key for this transaction; call it before anything else is read or written.

    Parameters
    ----------
    session : Session
        A session of `Database.write`.
    contributor_id, method, path, key
        What a key is unique within, and the key.
    request_hash : str
        Hash of the body.

    Returns
    -------
    Replay or None
        None for the first request; the kept answer for a repeated one.

    Raises
    ------
    IdempotencyMismatch
        The key was used with another body.
    InFlight
        The first request hasn't been answered after five seconds.

    """
    same = {"contributor_id": contributor_id, "method": method, "path": path, "key": key}
    moment = now(session)
    fresh = {"request_hash": request_hash, "created_at": moment, "status": None, "location": None, "etag": None}
    mine = {**same, **fresh, "body": None, "id": uuid7(), "kept_since": moment - KEPT}
    try:
        # On PostgreSQL this waits for a twin that hasn't committed, up to the engine's lock timeout of five seconds; on
        # SQLite no twin is under way, because this transaction is the only one that writes.
        connection = session.connection()
        claimed = connection.execute(_CLAIM[connection.dialect.name], mine).scalar_one_or_none()
    except OperationalError as error:
        if faults.sqlstate(error) == _LOCK_NOT_AVAILABLE:
            raise InFlight("The same request is still being answered: repeat it in a moment.") from error
        raise
    return None if claimed is not None else _replay(session, same, request_hash)


def _replay(session: Session, same: dict[str, object], request_hash: str) -> Replay:
    kept = session.execute(_KEPT, same).one()
    if kept.request_hash != request_hash:
        raise IdempotencyMismatch("This Idempotency-Key was used for another body: use a new key.")
    if kept.status is None:
        raise InFlight("The same request was never answered: use a new key.")
    return Replay(kept.status, kept.location, kept.etag, kept.body or b"")


def complete(
    session: Session,
    *,
    contributor_id: UUID,
    method: str,
    path: str,
    key: str,
    status: int,
    location: str | None,
    etag: str | None,
    body: bytes,
) -> None:
    """Keep the answer, in the transaction that claimed the key."""
    of = {"of_contributor_id": contributor_id, "of_method": method, "of_path": path, "of_key": key}
    session.connection().execute(_COMPLETE, {**of, "status": status, "location": location, "etag": etag, "body": body})


def oldest(session: Session) -> datetime | None:
    """Return when the oldest key was made; None where there is none."""
    return session.execute(_OLDEST).scalar_one_or_none()


def expire(session: Session, moment: datetime, *, limit: int = 500) -> int:
    """Drop up to `limit` keys that are older than seven days; return how many."""
    ids = list(session.execute(_OLD, {"kept_since": moment - KEPT, "at_most": limit}).scalars())
    if ids:
        session.execute(delete(_KEYS).where(_KEYS.c.id.in_(ids)))
    return len(ids)
