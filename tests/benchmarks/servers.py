"""Servers as processes of their own: `manybatch serve`, and one that does nothing but insert and commit."""

import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from tests.benchmarks import PROJECT
from tests.server import free_port

_PATIENCE_SECONDS = 60


@dataclass(frozen=True, slots=True)
class Started:
    """A running server, and how long it took until it first answered as it should."""

    port: int
    seconds: float


@contextmanager
def manybatch(url: str, *, workers: int = 1, first: str = "/health/ready") -> Iterator[Started]:
    """Run `manybatch serve` on a record; `first` is what is asked until it answers."""
    command = [sys.executable, "-m", "service", "serve", "--workers", str(workers)]
    given = {"DATABASE_URL": url, "RATE_LIMITS": "off", "LOG_LEVEL": "error"}
    with _running(command, {f"MANYBATCH_{name}": value for name, value in given.items()}, first) as started:
        yield started


@contextmanager
def bare_writer(url: str, *, workers: int = 1) -> Iterator[Started]:
    """Run a server that inserts what it is sent into a table of its own, and commits."""
    command = [sys.executable, "-m", "uvicorn", "tests.benchmarks.bare_writes:create_app", "--factory"]
    options = ["--workers", str(workers), "--no-access-log", "--log-level", "error", "--no-server-header"]
    with _running([*command, *options], {"BENCHMARKS_WRITE_TO": url}, "/ready") as started:
        yield started


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
