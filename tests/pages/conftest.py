import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr

from seed_demo.load import load
from service.api.security import hashed, new_secret
from service.record import contributors
from service.record.database import Database
from tests.api.community import Person
from tests.api.conftest import join, portal, sqlite, sqlite_client, village  # noqa: F401  the doors' own fixtures
from tests.api.kitchen import Kitchen
from tests.missing import Missing
from tests.pages.reader import Reader
from tests.server import Server, start

SEALING_KEY = "0123456789abcdef" * 4
# What a headless browser must not do: ask the network for anything of its own.
SWITCHES = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


class NoBrowser(Missing):
    """There is no Chromium on this machine."""

    what = "browser"


@pytest.fixture
def reader(sqlite_client) -> Reader:  # noqa: F811
    """Give somebody who reads pages of an empty record."""
    return Reader(sqlite_client)


@pytest.fixture
def kitchen(sqlite, join) -> Kitchen:  # noqa: F811
    """Give a kitchen whose host can seal trials."""
    return Kitchen(join(sqlite, sealing_key=SecretStr(SEALING_KEY)))


@pytest.fixture
def steward(sqlite) -> Person:  # noqa: F811
    """Give a steward of the record on SQLite."""
    token = new_secret()
    with sqlite.write() as session:
        made = contributors.create(session, display_name="Steward", token_hash=hashed(token), steward=True)
        return Person(str(made.id), token)


@pytest.fixture(scope="session")
def demo_record(migrated_sqlite, tmp_path_factory) -> Path:
    """Give a record with the invented community on it."""
    path = tmp_path_factory.mktemp("demo") / "record.db"
    shutil.copy(migrated_sqlite, path)
    database = Database(f"sqlite:///{path}")
    load(database)
    database.dispose()
    return path


@pytest.fixture(scope="session")
def site(demo_record, tmp_path_factory) -> Iterator[Server]:
    """Give a real server with the invented community on it."""
    with start(f"sqlite:///{demo_record}", tmp_path_factory.mktemp("site"), SEALING_KEY=SEALING_KEY) as server:
        yield server


@pytest.fixture(scope="session")
def chromium():
    """Give Debian's Chromium, headless."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        raise NoBrowser("Chromium is not installed: apt-get install chromium")
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  needs nothing where there is no browser

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=SWITCHES)
        yield browser
        browser.close()
