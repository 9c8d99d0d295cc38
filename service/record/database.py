"""The only module that knows engines, isolation, locks and retries; everything else is given a Session."""

import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast
from uuid import UUID

from pydantic_core import to_json
from sqlalchemy import Connection, Engine, QueuePool, create_engine, event, make_url, text
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.record import faults, kept_columns, ledger
from service.record.clock import Clock, utc_now
from service.record.column_bytes import from_bytes, to_bytes
from service.record.errors import Conflict, Contended, RecordError, SchemaAhead
from service.record.question_columns import KeptColumns, large_questions
from service.record.sealing import sealer_for

__all__ = ["Database", "Session"]

T = TypeVar("T")

_TRIES = 4
_SQLITE_BUSY_MS = 5000
_SQLITE_WRITER_KIB = 65_536
"""Of pages that the writer keeps: indexes by chance names are else read and written over and over as they grow."""
_SQLITE_LOG_PAGES = 8000
"""After how many pages of 4 KiB the log is copied into the file: what changes again before that is copied once."""
_POSTGRES_POOL_WAIT_S = 5.0
# Locks are held for milliseconds: 5 s means that something is wrong, and "later" is a better answer than a queue.
_POSTGRES_SETTINGS = (
    "-c lock_timeout=5s -c statement_timeout=30s -c idle_in_transaction_session_timeout=60s -c timezone=UTC"
)
# A machine that vanishes says nothing, and would be waited on for a quarter of an hour. The address may say otherwise.
_POSTGRES_PATIENCE = {
    "connect_timeout": 5,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
}


@dataclass(frozen=True, slots=True)
class PoolUse:
    """How many of a pool's connections are in use, of how many that it may open."""

    in_use: int
    most: int


class Database:
    """A record, on SQLite or PostgreSQL.

    Parameters
    ----------
    url : str
        `sqlite:///FILE` or `postgresql://...`.
    read_url : str or None
        A streaming replica, for readers who don't mind seeing the record as it was a moment ago.
    clock : callable
        What the ledger and every row are stamped by.
    pool_size : int
        Connections for readers, and on PostgreSQL for writers: the number of threads.

    """

    def __init__(self, url: str, *, read_url: str | None = None, clock: Clock = utc_now, pool_size: int = 10) -> None:
        self.url = _normal(url)
        self._read_url = read_url
        self.clock = clock
        self.sealer = sealer_for(self.url)
        self.dialect = self.url.get_backend_name()
        # Only for sessions that can't write: what isn't committed yet is nobody's to keep.
        self._columns = KeptColumns()
        if self.dialect == "sqlite":
            # One connection writes: its pool is the queue in which this process's writers wait their turn, fairly,
            # where several connections would race for the file's lock. Readers can't write at all.
            self._writer = _sqlite_engine(self.url, pool_size=1, begin="BEGIN IMMEDIATE", kept_kib=_SQLITE_WRITER_KIB)
            self._reader = _sqlite_engine(self.url, pool_size=pool_size, begin="BEGIN DEFERRED", query_only=True)
            self._replica = None
        else:
            self._writer = _postgres_engine(self.url, pool_size)
            self._reader = _one_snapshot(self._writer)
            self._replica = None if read_url is None else _one_snapshot(_postgres_engine(_normal(read_url), pool_size))

    def seal_under(self, secret: str) -> None:
        """Encrypt the keys of open trials under this, and no longer under a file beside the database."""
        self.sealer = sealer_for(self.url, secret)

    @property
    def has_replica(self) -> bool:
        """Whether there is a replica to read from."""
        return self._replica is not None

    def engines(self) -> dict[str, Engine]:
        """Give each engine that has a pool of its own, by what it is for."""
        if self.dialect == "sqlite":
            return {"writer": self._writer, "readers": self._reader}
        return {"primary": self._writer} | ({} if self._replica is None else {"replica": self._replica})

    def pools(self) -> dict[str, PoolUse]:
        """How much of each pool is in use."""
        pools = {name: cast("QueuePool", engine.pool) for name, engine in self.engines().items()}
        return {name: PoolUse(in_use=pool.checkedout(), most=pool.size()) for name, pool in pools.items()}

    @property
    def urls(self) -> tuple[str, str | None]:
        """What another process needs to read the same record: `url` and `read_url`, passwords and all."""
        return self.url.render_as_string(hide_password=False), self._read_url

    @contextmanager
    def read(self, *, from_replica: bool = False) -> Iterator[Session]:
        """Give a session on one unchanging snapshot, in which nothing can be written.

        With `from_replica` it may be a moment behind, where there is a replica.
        """
        with self._session((from_replica and self._replica) or self._reader, columns=self._columns) as session:
            yield session

    def keep_columns(self, question_id: UUID) -> None:
        """Keep what a reading session has made of a large question, when much of that isn't kept in the record yet."""
        columns = self._columns.to_keep(question_id)
        if columns is None:
            return
        written = to_bytes(columns)
        # Whatever stands against it, the rows can be read again.
        with suppress(RecordError, DBAPIError), self.write() as session:
            kept_columns.write(session, question_id, columns.position, written)
        # Words that were met row by row take several times the memory of packed ones.
        self._columns.put_packed(from_bytes(question_id, columns.position, written.items()))

    def keep_large_columns(self) -> None:
        """Bring what is kept of large questions up to date, where much isn't kept: after much was written."""
        with self.read() as session:
            large = large_questions(session)
        for question_id in large:
            with self.read() as session:
                self._columns.of(session, question_id, ledger.last_position_of(session, question_id))
            self.keep_columns(question_id)

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Give a session that commits when the block ends, and undoes everything when it raises."""
        with self._session(self._writer) as session:
            yield session

    @contextmanager
    def _session(self, engine: Engine, **known: object) -> Iterator[Session]:
        known |= {"clock": self.clock, "sealer": self.sealer}
        with faults.translated(), Session(engine, expire_on_commit=False, info=known) as session, session.begin():
            yield session

    def run_write(self, work: Callable[[Session], T]) -> T:
        """Run work in a writing session, again from the start where the database undid it to let another through."""
        for attempt in range(1, _TRIES):
            try:
                with self.write() as session:
                    return work(session)
            except Contended:
                time.sleep(random.uniform(0.01, 0.05) * 2**attempt)  # noqa: S311  # jitter guards nothing
        with self.write() as session:
            return work(session)

    def migrate(self) -> None:
        """Bring the tables to the newest revision; of several processes one does it, the others wait.

        Raises
        ------
        SchemaAhead
            The tables are at a revision that this software doesn't know.

        """
        from service.record import migrate  # noqa: PLC0415  a tenth of a second and 11 MB, and most processes never do

        present = self.schema_revision()
        if present is not None and present not in migrate.revisions():
            raise SchemaAhead(
                f"The record is at revision {present}, which this version doesn't know: update the software."
            )
        if present != migrate.head_revision():
            with faults.translated():
                migrate.upgrade(self.url)

    def schema_revision(self) -> str | None:
        """Return the revision that the tables are at; None where there are no tables yet."""
        from service.record import migrate  # noqa: PLC0415  as above

        with faults.translated(), self._reader.connect() as connection:
            return migrate.schema_revision(connection)

    @staticmethod
    def head_revision() -> str:
        """Return the revision that this software needs the tables to be at."""
        from service.record import migrate  # noqa: PLC0415  as above

        return migrate.head_revision()

    def backup(self, path: Path) -> None:
        """Write a consistent copy of a record on SQLite to a new file, while others read and write."""
        if self.dialect != "sqlite":
            raise Conflict("A record on PostgreSQL is copied with PostgreSQL's own pg_dump.")
        if path.exists():
            raise Conflict(f"{path} is there already: name a new file.")
        with (
            faults.translated(),
            self._reader.connect() as connection,
            closing(sqlite3.connect(path)) as copy,
        ):
            cast("sqlite3.Connection", connection.connection.driver_connection).backup(copy)

    def ping(self) -> None:
        """Ask for an answer; raise Unavailable where there is none. A replica that is away is done without."""
        # On SQLite a writer would wait for the lock, and a busy record isn't a broken one.
        for engine in [self._reader] if self.dialect == "sqlite" else [self._reader, self._writer]:
            with faults.translated(), engine.connect() as connection:
                connection.execute(text("SELECT 1"))

    def dispose(self) -> None:
        """Close every connection."""
        for engine in (self._replica, self._reader, self._writer):
            if engine is not None:
                engine.dispose()


def _normal(url: str) -> URL:
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        if not parsed.database or parsed.database == ":memory:":
            raise ValueError("a record on SQLite needs a file: sqlite:///FILE")
        return parsed.set(drivername="sqlite+pysqlite")
    if parsed.drivername in {"postgres", "postgresql", "postgresql+psycopg"}:
        return parsed.set(drivername="postgresql+psycopg")
    raise ValueError("a record is kept in SQLite (sqlite:///FILE) or PostgreSQL (postgresql://...)")


def _json_text(value: object) -> str:
    """Write what a JSON column holds; six times as fast as the standard library, and a submission has two dozen."""
    return to_json(value).decode()


def _sqlite_engine(url: URL, *, pool_size: int, begin: str, query_only: bool = False, kept_kib: int = 2000) -> Engine:
    engine = create_engine(
        url,
        json_serializer=_json_text,
        hide_parameters=True,  # what people send belongs in no log
        pool_size=pool_size,
        max_overflow=0,
        pool_timeout=_SQLITE_BUSY_MS / 1000,
        connect_args={"isolation_level": None, "check_same_thread": False, "timeout": _SQLITE_BUSY_MS / 1000},
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _record: object) -> None:  # noqa: ANN401  # the driver's own connection
        cursor = connection.cursor()
        # Readers go on while somebody writes; a commit is on the disk before it is acknowledged.
        for pragma in (
            f"busy_timeout={_SQLITE_BUSY_MS}",
            "journal_mode=WAL",
            "synchronous=FULL",
            f"wal_autocheckpoint={_SQLITE_LOG_PAGES}",
            "foreign_keys=ON",
            f"cache_size=-{kept_kib}",
            f"query_only={int(query_only)}",
        ):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        # The driver begins nothing by itself (isolation_level None). A writer takes the lock at once: upgrading a read
        # to a write fails at once where another has written meanwhile, whatever the busy timeout says.
        connection.exec_driver_sql(begin)

    return engine


def _one_snapshot(engine: Engine) -> Engine:
    """Read all of a transaction from one moment: counts, rows and ledger position of an answer belong together."""
    return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)


def _postgres_engine(url: URL, pool_size: int) -> Engine:
    patience = {name: value for name, value in _POSTGRES_PATIENCE.items() if name not in url.query}
    return create_engine(
        url,
        json_serializer=_json_text,
        hide_parameters=True,
        # A writer reads again, after waiting for a lock, what the one before it has committed.
        isolation_level="READ COMMITTED",
        pool_size=pool_size,
        max_overflow=0,
        pool_timeout=_POSTGRES_POOL_WAIT_S,
        pool_pre_ping=True,
        connect_args={"options": _POSTGRES_SETTINGS, **patience},
    )
