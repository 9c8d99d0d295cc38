"""Many rows into one table at once, by the driver's own way: what SQLAlchemy does for each row costs more than it."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

from sqlalchemy import JSON, Connection, Dialect
from sqlalchemy.exc import DBAPIError
from sqlmodel import SQLModel

from service.record.tables import table_of


class ManyRows:
    """An insert into one table, made once and run with many rows at a time.

    Parameters
    ----------
    model : SQLModel
        The table.
    names : sequence of str
        The columns that rows give, in their order; the others are null, or filled by the database.

    """

    def __init__(self, model: type[SQLModel], names: Sequence[str]) -> None:
        table = table_of(model)
        into = f"{table.name} ({', '.join(names)})"
        self._insert = f"INSERT INTO {into} VALUES ({', '.join('?' * len(names))})"  # noqa: S608  # our own names
        self._copy = f"COPY {into} FROM STDIN"
        self._types = [table.c[name].type for name in names]

    def write(self, connection: Connection, rows: Sequence[tuple[Any, ...]]) -> None:
        """Insert rows; what a JSON column holds is given as text."""
        if not rows:
            return
        ready = self._as_the_driver_takes_them(connection.dialect, rows)
        if connection.dialect.name == "sqlite":
            connection.exec_driver_sql(self._insert, list(ready))
            return
        driver = cast("Any", connection.connection.driver_connection)
        with driver_faults(connection), driver.cursor() as cursor, cursor.copy(self._copy) as copy:
            for row in ready:
                copy.write_row(row)

    def _as_the_driver_takes_them(self, dialect: Dialect, rows: Sequence[tuple[Any, ...]]) -> Iterable[tuple[Any, ...]]:
        columns: list[Iterable[Any]] = list(zip(*rows, strict=True))
        for place, type_ in enumerate(self._types):
            if isinstance(type_, JSON):
                continue
            process: Callable[[Any], Any] | None = type_.dialect_impl(dialect).bind_processor(dialect)
            if process is not None:
                columns[place] = map(process, columns[place])
        return zip(*columns, strict=True)


@contextmanager
def driver_faults(connection: Connection) -> Iterator[None]:
    """Raise what comes past SQLAlchemy as SQLAlchemy would."""
    errors = cast("Any", connection.dialect.dbapi).Error
    try:
        yield
    except errors as error:
        driver = cast("Any", connection.connection.driver_connection)
        raise DBAPIError.instance(
            None,
            None,
            error,
            errors,
            hide_parameters=True,
            connection_invalidated=driver.closed,
            dialect=connection.dialect,
        ) from error
