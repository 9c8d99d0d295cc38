"""Whether a record can be read, written and kept: what its host wants to know before callers come."""

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select, text
from sqlmodel import col

from service.record import ledger
from service.record.database import Database
from service.record.errors import NoSealingKey, RecordError
from service.record.tables import LedgerEntry
from service.record.trial_tables import SealedTrial

MEBIBYTE = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that the service stands on.

    `needed` says whether it can do its work without.
    """

    name: str
    well: bool
    detail: str
    needed: bool = True


def parts(database: Database, min_free_mib: int) -> list[Part]:
    """Look at everything that the service can't do without.

    Parameters
    ----------
    database : Database
        The record.
    min_free_mib : int
        Mebibytes that must be free where a SQLite file lies.

    """
    schema = _part("schema", lambda: _schema(database))
    found = [
        _part("database", lambda: _database(database)),
        schema,
        _part("disk", lambda: _disk(database, min_free_mib)),
    ]
    if schema.well:
        found.append(_part("sealing_key", lambda: _sealing_key(database)))
    return found


class _UnwellError(Exception):
    """A part can't do its work; says why, to whoever asks."""


def _part(name: str, look: Callable[[], str]) -> Part:
    try:
        return Part(name, well=True, detail=look())
    except _UnwellError as reason:
        return Part(name, well=False, detail=str(reason))
    except NoSealingKey:
        return Part(name, well=False, detail="can't be read, or isn't the one that sealed what is sealed")
    except RecordError:
        return Part(name, well=False, detail="can't be reached")


def _database(database: Database) -> str:
    with database.read() as session:
        session.execute(text("SELECT 1"))
        if database.dialect != "sqlite" and session.execute(text("SELECT pg_is_in_recovery()")).scalar_one():
            raise _UnwellError("takes no writes: it is a standby")
    file = file_of(database)
    if file is not None and not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK)):
        raise _UnwellError("takes no writes: the file or its folder is read-only")
    return "can be read and written"


def _schema(database: Database) -> str:
    if database.schema_revision() != database.head_revision():
        raise _UnwellError("is not this software's; run `manybatch migrate`")
    return "is this software's"


def _disk(database: Database, min_free_mib: int) -> str:
    free = free_bytes(database)
    if free is None:
        return "is the database server's own"
    if free < min_free_mib * MEBIBYTE:
        raise _UnwellError(f"has less than {min_free_mib} MiB free")
    return f"has {min_free_mib} MiB free or more"


def _sealing_key(database: Database) -> str:
    """Try the key on a trial that waits for it; where none waits, on a seal of its own."""
    with database.read() as session:
        waiting = select(col(SealedTrial.id), col(SealedTrial.sealed_key)).where(
            col(SealedTrial.closed_position).is_(None)
        )
        found = session.execute(waiting.limit(1)).first()
    sealer = database.sealer
    if found is not None:
        sealer.open(found.sealed_key, str(found.id))
        return "opens what is sealed"
    if not sealer.is_set():
        return "isn't there yet, and nothing is sealed"
    sealer.open(sealer.seal(b"", "health"), "health")
    return "can be used, and nothing is sealed"


def replica(database: Database, most_behind_seconds: float) -> Part:
    """Look at the replica, which the service can do without."""
    try:
        behind = seconds_behind(database)
    except RecordError:
        return Part("replica", well=False, detail="can't be reached: reads come from the primary", needed=False)
    well = behind <= most_behind_seconds
    return Part(
        "replica", well, f"is {'not more' if well else 'more'} than {most_behind_seconds:g} s behind", needed=False
    )


def seconds_behind(database: Database) -> float:
    """How long the replica has lacked the oldest ledger entry that it hasn't; 0 where it has them all.

    The ledger is asked, not the server's own figures: those call a replica that is cut off up to date, and need rights.
    """
    with database.read(from_replica=True) as session:
        theirs = ledger.head(session).size
    with database.read() as session:
        lacking = select(col(LedgerEntry.at)).where(col(LedgerEntry.position) == theirs + 1)
        since = session.execute(lacking).scalar_one_or_none()
    return 0.0 if since is None else max((database.clock() - since).total_seconds(), 0.0)


def free_bytes(database: Database) -> int | None:
    """Bytes that are free where a SQLite file lies; None on PostgreSQL, whose disk is not ours to see."""
    file = file_of(database)
    if file is None:
        return None
    try:
        return shutil.disk_usage(file.parent).free
    except OSError:
        return 0


def file_of(database: Database) -> Path | None:
    """Give the record's file; None on PostgreSQL."""
    return Path(str(database.url.database)).absolute() if database.dialect == "sqlite" else None
