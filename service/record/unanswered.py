"""Statements whose answers nobody needs, sent one after the other instead of each after the answer to the last."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, cast

from sqlalchemy import Connection

from service.record.many_rows import driver_faults


@contextmanager
def unanswered(connection: Connection) -> Iterator[None]:
    """Send what is executed in the block without waiting in between; a fault is raised by the end of the block.

    Only for statements that return no rows and whose count of rows isn't looked at: not for a unit of work's flush.
    SQLite is in this process, and has nothing to wait for.
    """
    if connection.dialect.name != "postgresql":
        yield
        return
    driver = cast("Any", connection.connection.driver_connection)
    with driver_faults(connection), driver.pipeline():
        yield
