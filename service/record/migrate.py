"""Brings a record's tables to the newest revision: Alembic, run from inside the package."""

from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, NullPool, create_engine, text

# Any number will do that no other user of the same server locks.
_ADVISORY_LOCK = 7_261_935_044
_WAIT_FOR_OTHERS_MS = 60_000
_WAIT_FOR_TABLES_MS = 5_000


def config(connection: Connection | None = None) -> Config:
    """Return the Alembic configuration; the environment runs on the connection given."""
    made = Config()
    made.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    made.set_main_option("path_separator", "os")
    made.set_main_option("file_template", "r%%(rev)s_%%(slug)s")
    made.attributes["connection"] = connection
    return made


@cache
def revisions() -> tuple[str, ...]:
    """Return every revision there is a script for, the newest first."""
    return tuple(script.revision for script in ScriptDirectory.from_config(config()).walk_revisions())


def head_revision() -> str:
    """Return the newest revision there is a script for."""
    return revisions()[0]


def schema_revision(connection: Connection) -> str | None:
    """Return the revision that the tables behind a connection are at."""
    return MigrationContext.configure(connection).get_current_revision()


def upgrade(url: URL, revision: str = "head") -> None:
    """Run the migrations in one transaction, under a lock that one process has at a time."""
    if url.get_backend_name() == "sqlite":
        _upgrade_sqlite(url, revision)
    else:
        _upgrade_postgres(url, revision)


def _upgrade_sqlite(url: URL, revision: str) -> None:
    engine = create_engine(
        url, poolclass=NullPool, connect_args={"isolation_level": None, "timeout": _WAIT_FOR_OTHERS_MS / 1000}
    )
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA journal_mode=WAL")
        # A table that is rebuilt is dropped on the way, which must not take the rows that point at it; the setting
        # can't be changed inside a transaction, and everything is checked before the end of it.
        connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        command.upgrade(config(connection), revision)
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        if broken:
            raise RuntimeError(f"the migration would leave rows that point nowhere: {broken[:5]}")
        connection.commit()


def _upgrade_postgres(url: URL, revision: str) -> None:
    engine = create_engine(url, poolclass=NullPool, connect_args={"connect_timeout": 5})
    with engine.begin() as connection:
        connection.execute(text(f"SET LOCAL lock_timeout = '{_WAIT_FOR_OTHERS_MS}ms'"))
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _ADVISORY_LOCK})
        # Behind a table lock that waits, every reader of the table waits too: give up soon, and be run again.
        connection.execute(text(f"SET LOCAL lock_timeout = '{_WAIT_FOR_TABLES_MS}ms'"))
        command.upgrade(config(connection), revision)
