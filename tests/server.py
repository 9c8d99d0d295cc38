"""Runs the service as a process of its own, on a free loopback port; `python -m tests.server` is what `start` runs."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import httpx

PROJECT = Path(__file__).parents[1]
_PATIENCE_S = 60


@dataclass
class Server:
    """A running service."""

    url: str
    log: Path
    process: subprocess.Popen[str]
    record: Path | None = None
    """The SQLite file behind it, where a test wants to look from outside."""

    def client(self, **settings: Any) -> httpx.Client:
        return httpx.Client(base_url=self.url, timeout=30, **settings)

    def log_lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log.read_text().splitlines()]

    def kill(self) -> None:
        """End it as a power cut would: SIGKILL, nothing is tidied up."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """Ask it to end, as whoever runs it would, and give its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(_PATIENCE_S)


@contextmanager
def running(command: Sequence[str], **environment: str) -> Iterator[Server]:
    """Start a command of ours with `--port`, wait until it is ready, and stop it."""
    port = free_port()
    with TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        process = _begun([*command, "--port", str(port)], {**os.environ, **environment}, log)
        with _served(Server(f"http://127.0.0.1:{port}", log, process), "/health/ready") as server:
            yield server


@contextmanager
def start(database_url: str, folder: Path, **settings: str) -> Iterator[Server]:
    """Start the service on a record; its log lies in the folder."""
    log = folder / f"log-{time.monotonic_ns()}.jsonl"
    environment = {name: value for name, value in os.environ.items() if not name.startswith("MANYBATCH_")}
    given = {"DATABASE_URL": database_url, "LOG_LEVEL": "info", "RATE_LIMITS": "off"} | settings
    environment |= {f"MANYBATCH_{name}": value for name, value in given.items()}
    process = _begun([sys.executable, "-m", "tests.server"], environment, log, stdout=subprocess.PIPE)
    assert process.stdout is not None
    with closing(process.stdout):
        port = process.stdout.readline().strip()
        assert port, f"the server did not start: {log.read_text()[-2000:]}"
        with _served(Server(f"http://127.0.0.1:{port}", log, process), "/health/live") as server:
            yield server


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _begun(
    command: Sequence[str], environment: dict[str, str], log: Path, stdout: int | None = None
) -> subprocess.Popen[str]:
    with log.open("w") as errors:
        return subprocess.Popen(
            command,
            cwd=PROJECT,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=errors if stdout is None else stdout,
            stderr=errors,
            text=True,
        )


@contextmanager
def _served(server: Server, sign_of_life: str) -> Iterator[Server]:
    try:
        _wait(server, sign_of_life)
        yield server
    finally:
        server.process.terminate()
        server.process.wait(_PATIENCE_S)


def _wait(server: Server, sign_of_life: str) -> None:
    until = time.monotonic() + _PATIENCE_S
    while True:
        assert server.process.poll() is None, f"the server ended: {server.log.read_text()[-2000:]}"
        try:
            if httpx.get(f"{server.url}{sign_of_life}", timeout=5).status_code == 200:
                return
        except httpx.TransportError:
            pass
        assert time.monotonic() < until, "the server did not answer"
        time.sleep(0.05)


def _serve() -> None:
    import uvicorn  # noqa: PLC0415  the tests that import this module need none of it

    # Bound here, so that no other process can take the port between its choice and its use.
    listener = socket.create_server(("127.0.0.1", 0), backlog=512)
    print(listener.getsockname()[1], flush=True)
    config = uvicorn.Config(
        "service.app:create_app", factory=True, log_config=None, access_log=False, server_header=False
    )
    uvicorn.Server(config).run(sockets=[listener])


if __name__ == "__main__":
    _serve()
