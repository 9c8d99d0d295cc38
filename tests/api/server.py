"""Runs the service as a process of its own, on a loopback port that the operating system picks."""

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

PROJECT = Path(__file__).parents[2]
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


@contextmanager
def start(database_url: str, folder: Path, **settings: str) -> Iterator[Server]:
    """Start the service on a record; its log lies in the folder."""
    log = folder / f"log-{time.monotonic_ns()}.jsonl"
    environment = {name: value for name, value in os.environ.items() if not name.startswith("MANYBATCH_")}
    given = {"DATABASE_URL": database_url, "LOG_LEVEL": "info", "RATE_LIMITS": "off"} | settings
    environment |= {f"MANYBATCH_{name}": value for name, value in given.items()}
    with log.open("w") as errors:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.api.server"],
            cwd=PROJECT,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
    try:
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        assert port, f"the server did not start: {log.read_text()[-2000:]}"
        server = Server(f"http://127.0.0.1:{port}", log, process)
        _wait_until_ready(server)
        yield server
    finally:
        process.terminate()
        process.wait(_PATIENCE_S)
        process.stdout.close()


def _wait_until_ready(server: Server) -> None:
    until = time.monotonic() + _PATIENCE_S
    while True:
        assert server.process.poll() is None, f"the server ended: {server.log.read_text()[-2000:]}"
        try:
            if httpx.get(f"{server.url}/health/live", timeout=5).status_code == 200:
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
