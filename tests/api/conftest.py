from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal

from service.api.security import hashed, new_secret
from service.app import create_app
from service.record import contributors
from service.record.database import Database
from service.settings import Settings
from tests.api.client import Client
from tests.api.community import Community, Person
from tests.server import Server, start


@pytest.fixture(scope="session")
def portal() -> Iterator[BlockingPortal]:
    with start_blocking_portal() as portal:
        yield portal


@pytest.fixture
def join(portal) -> Iterator[Callable[..., Client]]:
    """Put a client before an application on a record, with settings and headers of the test's own."""
    with ExitStack() as stack:

        def join_(database: Database, **settings) -> Client:
            settings = Settings().on(**{"log_level": "error", "rate_limits": "off"} | settings)
            client = Client(portal, create_app(settings, database))
            stack.callback(client.close)
            return client

        yield join_


@pytest.fixture
def client(database, join) -> Client:
    """Give a client within the process; the test runs once on each database."""
    return join(database)


@pytest.fixture
def sqlite(sqlite_url) -> Iterator[Database]:
    """Give a record on SQLite alone, for what doesn't hang on the database."""
    database = Database(sqlite_url)
    yield database
    database.dispose()


@pytest.fixture
def sqlite_client(sqlite, join) -> Client:
    return join(sqlite)


@pytest.fixture
def community(client) -> Community:
    return Community(client)


@pytest.fixture
def village(sqlite_client) -> Community:
    """A community on SQLite alone."""
    return Community(sqlite_client)


def new_steward(database: Database) -> Person:
    """Make a steward, as the command line does."""
    token = new_secret()
    with database.write() as session:
        made = contributors.create(session, display_name="Steward", token_hash=hashed(token), steward=True)
        return Person(str(made.id), token)


@pytest.fixture
def steward(database) -> Person:
    return new_steward(database)


@pytest.fixture
def steward_of() -> Callable[[str], Person]:
    """Make a steward in the record behind a running server."""

    def make(url: str) -> Person:
        database = Database(url)
        try:
            return new_steward(database)
        finally:
            database.dispose()

    return make


@pytest.fixture
def serve(tmp_path_factory) -> Iterator[Callable[..., Server]]:
    """Start real servers, each a process of its own on a free loopback port."""
    with ExitStack() as stack:

        def serve_(url: str, **settings: str) -> Server:
            return stack.enter_context(start(url, tmp_path_factory.mktemp("server"), **settings))

        yield serve_


@pytest.fixture(scope="module")
def server(migrated_sqlite, tmp_path_factory) -> Iterator[Server]:
    """Give one real server on SQLite for the tests of a module: each brings people and questions of its own."""
    folder = tmp_path_factory.mktemp("server")
    record = folder / "record.db"
    record.write_bytes(migrated_sqlite.read_bytes())
    with start(f"sqlite:///{record}", folder) as server:
        server.record = record
        yield server
