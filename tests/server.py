"""A server of ours as a process of its own, on a free loopback port."""

import os
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import httpx

_PATIENCE_SECONDS = 60


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def running(command: Sequence[str], port: int | None = None, **environment: str) -> Iterator[str]:
    """Start a command with `--port`, wait until it is ready, give its address, and stop it."""
    port = port or free_port()
    address = f"http://127.0.0.1:{port}"
    process = subprocess.Popen(
        [*command, "--port", str(port)],
        env={**os.environ, **environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        _wait(address, process)
        yield address
    finally:
        process.terminate()
        process.communicate(timeout=30)


def _wait(address: str, process: subprocess.Popen) -> None:
    until = time.monotonic() + _PATIENCE_SECONDS
    while time.monotonic() < until:
        if process.poll() is not None:
            raise RuntimeError(f"the server stopped: {process.communicate()[0]}")
        try:
            if httpx.get(f"{address}/health/ready", timeout=5).status_code == 200:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.1)
    raise RuntimeError("the server was never ready")
