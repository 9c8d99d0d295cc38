"""Answers kept for seven days, so that a repeated request gets the same one."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy import delete, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session
from sqlmodel import col
from uuid_utils.compat import uuid7

from service.record import faults
from service.record.clock import now
from service.record.errors import IdempotencyMismatch, InFlight
from service.record.tables import IdempotencyKey

KEPT = timedelta(days=7)
_LOCK_NOT_AVAILABLE = "55P03"


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
    insert = postgresql.insert if session.get_bind().dialect.name == "postgresql" else sqlite.insert
    moment = now(session)
    fresh = {
        "request_hash": request_hash,
        "created_at": moment,
        "status": None,
        "location": None,
        "etag": None,
        "body": None,
    }
    mine = (
        insert(IdempotencyKey)
        .values(**same, **fresh, id=uuid7())
        # A key that was kept for its seven days is as good as new.
        .on_conflict_do_update(
            index_elements=list(same), set_=fresh, where=col(IdempotencyKey.created_at) < moment - KEPT
        )
        .returning(col(IdempotencyKey.id))
    )
    try:
        # On PostgreSQL this waits for a twin that hasn't committed, up to the engine's lock timeout of five seconds; on
        # SQLite no twin is under way, because this transaction is the only one that writes.
        claimed = session.execute(mine).scalar_one_or_none()
    except OperationalError as error:
        if faults.sqlstate(error) == _LOCK_NOT_AVAILABLE:
            raise InFlight("The same request is still being answered: repeat it in a moment.") from error
        raise
    return None if claimed is not None else _replay(session, same, request_hash)


def _replay(session: Session, same: dict[str, object], request_hash: str) -> Replay:
    kept = session.execute(select(IdempotencyKey).filter_by(**same)).scalar_one()
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
    session.execute(
        update(IdempotencyKey)
        .filter_by(contributor_id=contributor_id, method=method, path=path, key=key)
        .values(status=status, location=location, etag=etag, body=body)
        .execution_options(synchronize_session=False)
    )


def expire(session: Session, moment: datetime, *, limit: int = 500) -> int:
    """Drop up to `limit` keys that are older than seven days; return how many."""
    old = select(col(IdempotencyKey.id)).where(col(IdempotencyKey.created_at) < moment - KEPT).limit(limit)
    ids = list(session.execute(old).scalars())
    if ids:
        session.execute(
            delete(IdempotencyKey).where(col(IdempotencyKey.id).in_(ids)).execution_options(synchronize_session=False)
        )
    return len(ids)
