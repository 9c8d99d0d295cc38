"""Servers as processes of their own: `manybatch serve`, and one that does nothing but insert and commit."""

import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import uvicorn

from service.app import create_app
from tests.benchmarks import PROJECT, bare_writes
from tests.benchmarks.asking import settings_on
from tests.benchmarks.drive import App
from tests.server import free_port

_PATIENCE_SECONDS = 60


@dataclass(frozen=True, slots=True)
class Started:
    """A running server, and how long it took until it first answered as it should."""

    port: int
    seconds: float


@contextmanager
def manybatch(url: str, *, workers: int = 1, first: str = "/health/ready", spawn: bool = True) -> Iterator[Started]:
    """Run `manybatch serve` on a record; `first` is what is asked until it answers."""
    if not spawn:
        with _threaded(create_app(settings_on(url))) as started:
            yield started
        return
    command = [sys.executable, "-m", "service", "serve", "--workers", str(workers)]
    given = {"DATABASE_URL": url, "RATE_LIMITS": "off", "LOG_LEVEL": "error"}
    with _running(command, {f"MANYBATCH_{name}": value for name, value in given.items()}, first) as started:
        yield started


@contextmanager
def bare_writer(url: str, *, workers: int = 1, spawn: bool = True) -> Iterator[Started]:
    """Run a server that inserts what it is sent into a table of its own, and commits."""
    if not spawn:
        with _threaded(bare_writes.writing_to(url)) as started:
            yield started
        return
    command = [sys.executable, "-m", "uvicorn", "tests.benchmarks.bare_writes:create_app", "--factory"]
    options = ["--workers", str(workers), "--no-access-log", "--log-level", "error", "--no-server-header"]
    with _running([*command, *options], {bare_writes.WHERE: url}, "/ready") as started:
        yield started


@contextmanager
def _threaded(app: App) -> Iterator[Started]:
    """Serve from a thread of this process: quick to start, and good for nothing but trying the benchmarks."""
    server = uvicorn.Server(uvicorn.Config(app, port=free_port(), log_config=None, access_log=False))
    thread = threading.Thread(target=server.run)
    begun = time.perf_counter()
    thread.start()
    while not server.started and thread.is_alive():
        time.sleep(0.005)
    try:
        yield Started(server.config.port, time.perf_counter() - begun)
    finally:
        server.should_exit = True
        thread.join(_PATIENCE_SECONDS)


@contextmanager
def _running(command: Sequence[str], environment: dict[str, str], first: str) -> Iterator[Started]:
    port = free_port()
    kept = {name: value for name, value in os.environ.items() if not name.startswith("MANYBATCH_")}
    begun = time.perf_counter()
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(
            [*command, "--port", str(port)],
            cwd=PROJECT,
            env=kept | environment,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        )
        try:
            if not _answered(process, port, first):
                log.seek(0)
                raise RuntimeError(f"{first} never answered: {log.read()[-2000:].decode()}")
            yield Started(port, time.perf_counter() - begun)
        finally:
            process.terminate()
            process.wait(_PATIENCE_SECONDS)


def _answered(process: subprocess.Popen[bytes], port: int, path: str) -> bool:
    until = time.perf_counter() + _PATIENCE_SECONDS
    while process.poll() is None and time.perf_counter() < until:
        if _answers(port, path):
            return True
        time.sleep(0.005)
    return False


def _answers(port: int, path: str) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=_PATIENCE_SECONDS) as line:
            line.sendall(f"GET {path} HTTP/1.1\r\nhost: bench\r\nconnection: close\r\n\r\n".encode())
            return line.recv(12) == b"HTTP/1.1 200"
    except OSError:
        return False
