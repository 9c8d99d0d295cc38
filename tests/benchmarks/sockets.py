"""Clients that keep their connections open and send the next request when they have the last answer."""

import asyncio
import json
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class Load:
    """What became of many requests; `seconds` has one element for each."""

    seconds: list[float] = field(default_factory=list)
    elapsed: float = 0.0

    @property
    def per_second(self) -> float:
        return len(self.seconds) / self.elapsed

    def percentile(self, percent: int) -> float:
        if len(self.seconds) < 2:
            return self.seconds[0]
        return statistics.quantiles(self.seconds, n=100, method="inclusive")[percent - 1]


class Connection:
    """One kept connection."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def send(self, request: bytes, expect: int = 200) -> bytes:
        """Send a whole request and return the answer's body."""
        self.writer.write(request)
        head = await self.reader.readuntil(b"\r\n\r\n")
        status = int(head[9:12])
        at = head.lower().find(b"\r\ncontent-length: ")
        length = int(head[at + 18 :].split(b"\r\n", 1)[0]) if at >= 0 else 0
        body = await self.reader.readexactly(length)
        if status != expect:
            raise RuntimeError(f"answered {status}: {body[:300]!r}")
        return body


@asynccontextmanager
async def connected(port: int) -> Any:
    """Give a connection to a port of this machine."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**26)
    try:
        yield Connection(reader, writer)
    finally:
        writer.close()


def request(method: str, path: str, body: Any = None, **headers: str) -> bytes:
    """Write a request as it goes over the wire."""
    sent = b"" if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
    lines = [f"{method} {path} HTTP/1.1", "host: bench"]
    if body is not None:
        lines += ["content-type: application/json", f"content-length: {len(sent)}"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + sent


async def load(
    port: int, requests: Iterator[bytes], *, clients: int, until: Callable[[], bool], expect: int = 200
) -> Load:
    """Let so many clients send requests from one supply until it is time to stop."""
    done = Load()

    async def client() -> None:
        async with connected(port) as connection:
            while not until():
                sent = next(requests)
                start = time.perf_counter()
                await connection.send(sent, expect)
                done.seconds.append(time.perf_counter() - start)

    start = time.perf_counter()
    async with asyncio.TaskGroup() as group:
        for _ in range(clients):
            group.create_task(client())
    done.elapsed = time.perf_counter() - start
    return done


def after(seconds: float) -> Callable[[], bool]:
    """Say whether so many seconds have passed since now."""
    end = time.perf_counter() + seconds
    return lambda: time.perf_counter() >= end
