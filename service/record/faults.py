"""Turns what a driver raises into the record room's own errors, where trying again later may help."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from service.record.errors import Contended, Unavailable

# Primary result codes: BUSY, LOCKED, NOMEM, READONLY, IOERR, FULL, CANTOPEN, PROTOCOL.
_SQLITE_UNAVAILABLE = {5, 6, 7, 8, 10, 13, 14, 15}
# serialization_failure, deadlock_detected
_POSTGRES_CONTENDED = {"40001", "40P01"}
# lock_not_available, read_only_sql_transaction (the primary became a replica)
_POSTGRES_UNAVAILABLE = {"55P03", "25006"}
# connection exceptions, insufficient resources (disk full, too many connections), operator intervention, system errors
_POSTGRES_UNAVAILABLE_CLASSES = {"08", "53", "57", "58"}

_DETAIL = "The record can't be reached or written just now; try again in a moment."


def sqlstate(error: DBAPIError) -> str | None:
    """Return PostgreSQL's five-letter code for an error, where it has one."""
    state = getattr(error.orig, "sqlstate", None)
    return state if isinstance(state, str) else None


@contextmanager
def translated() -> Iterator[None]:
    """Raise Unavailable (or Contended) in place of the driver's errors that mean it; let the others through."""
    try:
        yield
    except PoolTimeout as error:
        raise Unavailable(_DETAIL) from error
    except DBAPIError as error:
        if sqlstate(error) in _POSTGRES_CONTENDED:
            raise Contended(_DETAIL) from error
        if _means_unavailable(error):
            raise Unavailable(_DETAIL) from error
        raise


def _means_unavailable(error: DBAPIError) -> bool:
    if isinstance(error.orig, sqlite3.Error):
        code = getattr(error.orig, "sqlite_errorcode", None)
        return code is not None and code & 0xFF in _SQLITE_UNAVAILABLE
    state = sqlstate(error)
    if state is None:
        # psycopg gives no code where the server never answered or the connection broke.
        return error.connection_invalidated or type(error.orig).__name__ == "OperationalError"
    return state in _POSTGRES_UNAVAILABLE or state[:2] in _POSTGRES_UNAVAILABLE_CLASSES
