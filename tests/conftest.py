import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from service.record.database import Database
from tests import postgres, server
from tests.missing import Missing


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup() -> Iterator[None]:
    """Skip what needs something that this machine doesn't have, or fail where it must not be missing."""
    try:
        return (yield)
    except Missing as missing:
        if missing.what in os.environ.get("MANYBATCH_TESTS_REQUIRE", ""):
            pytest.fail(f"required here: {missing}")
        pytest.skip(str(missing))


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[postgres.Server]:
    with postgres.server() as server:
        yield server


@pytest.fixture(scope="session")
def migrated_postgres(postgres_server) -> Iterator[str]:
    """Give the one record on PostgreSQL that the tests use in turn: emptying it costs a tenth of making another."""
    url = postgres_server.create()
    database = Database(url)
    database.migrate()
    database.dispose()
    yield url
    postgres_server.drop(url)


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("sqlite") / "migrated.db"
    database = Database(f"sqlite:///{path}")
    database.migrate()
    database.dispose()
    return path


@pytest.fixture
def postgres_url(migrated_postgres) -> Iterator[str]:
    """Give a migrated, empty record on PostgreSQL."""
    yield migrated_postgres
    postgres.empty(migrated_postgres)


@pytest.fixture
def sqlite_url(migrated_sqlite, tmp_path) -> str:
    """Give a migrated, empty record on SQLite."""
    return f"sqlite:///{shutil.copy(migrated_sqlite, tmp_path / 'record.db')}"


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def database_url(request) -> str:
    """Give a migrated, empty record: the test runs once on each database."""
    return request.getfixturevalue(f"{request.param}_url")


@pytest.fixture
def open_database(database_url) -> Iterator[Callable[..., Database]]:
    """Open the record, as often as a test likes and with settings of its own."""
    with ExitStack() as stack:

        def open_(**settings) -> Database:
            database = Database(database_url, **settings)
            stack.callback(database.dispose)
            return database

        yield open_


@pytest.fixture
def database(open_database) -> Database:
    return open_database()


@pytest.fixture(scope="session")
def demo_server() -> Iterator[str]:
    """Give the address of `manybatch demo`, run as a newcomer would."""
    with server.running([sys.executable, "-m", "service", "demo"]) as demo:
        yield demo.url
