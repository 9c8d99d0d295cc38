"""Rows into one table by the driver's own way: what SQLAlchemy does for each statement and row costs more than it."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

from sqlalchemy import JSON, Connection, Dialect
from sqlalchemy.exc import DBAPIError
from sqlalchemy.types import TypeEngine
from sqlmodel import SQLModel

from service.record.tables import table_of


class ManyRows:
    """An insert into one table, made once and run with any number of rows.

    Parameters
    ----------
    model : SQLModel
        The table.
    names : sequence of str
        The columns that rows give, in their order; the others are null, or filled by the database. What a JSON column
        holds is given as text.

    """

    def __init__(self, model: type[SQLModel], names: Sequence[str]) -> None:
        table = table_of(model)
        self._into = f"{table.name} ({', '.join(names)})"
        self._types = [table.c[name].type for name in names]
        self._known: dict[str, list[tuple[int, Callable[[Any], Any]]]] = {}

    def insert(self, connection: Connection, rows: Sequence[tuple[Any, ...]]) -> None:
        """Insert rows."""
        if rows:
            connection.exec_driver_sql(self._insert(connection.dialect.name), list(self._ready(connection, rows)))

    def copy(self, connection: Connection, rows: Sequence[tuple[Any, ...]]) -> None:
        """Insert many rows: by PostgreSQL's COPY, where that is what is spoken to; not within `unanswered`."""
        if not rows or connection.dialect.name != "postgresql":
            self.insert(connection, rows)
            return
        driver = cast("Any", connection.connection.driver_connection)
        statement = f"COPY {self._into} FROM STDIN"
        with driver_faults(connection), driver.cursor() as cursor, cursor.copy(statement) as copy:
            for row in self._ready(connection, rows):
                copy.write_row(row)

    def _insert(self, dialect: str) -> str:
        places = ["%s" if dialect == "postgresql" else "?"] * len(self._types)
        return f"INSERT INTO {self._into} VALUES ({', '.join(places)})"  # noqa: S608  # our own names

    def _ready(self, connection: Connection, rows: Sequence[tuple[Any, ...]]) -> Iterable[tuple[Any, ...]]:
        """Give the rows as the driver takes them."""
        columns: list[Iterable[Any]] = list(zip(*rows, strict=True))
        for place, process in self._processes(connection.dialect):
            columns[place] = _processed(process, columns[place])
        return zip(*columns, strict=True)

    def _processes(self, dialect: Dialect) -> list[tuple[int, Callable[[Any], Any]]]:
        if dialect.name not in self._known:
            made = [None if isinstance(each, JSON) else _process(each, dialect) for each in self._types]
            self._known[dialect.name] = [(place, each) for place, each in enumerate(made) if each is not None]
        return self._known[dialect.name]


def _processed(process: Callable[[Any], Any], column: Iterable[Any]) -> Iterator[Any]:
    """Process a value once where the very same one follows: rows of one replication name it, and whose it is."""
    last: Any = None
    made = process(None)
    for value in column:
        if value is not last:
            last, made = value, process(value)
        yield made


def _process(type_: TypeEngine[Any], dialect: Dialect) -> Callable[[Any], Any] | None:
    return type_.dialect_impl(dialect).bind_processor(dialect)


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
