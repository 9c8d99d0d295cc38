"""Calling an ASGI application without a network, so that what is measured is the application."""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from itertools import cycle
from typing import Any

App = Callable[[Any, Any, Any], Awaitable[None]]
_BLOCK_SECONDS = 0.005
_PATIENCE = 8
"""How much longer than meant a comparison may take on a machine that is busy with other things."""


class Call:
    """One request, ready to be sent again and again."""

    def __init__(self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None) -> None:
        path, _, query = path.partition("?")
        self.body = b"" if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        sent = {
            "host": "bench",
            **({"content-type": "application/json"} if body is not None else {}),
            **(headers or {}),
        }
        self.scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(name.encode(), value.encode()) for name, value in sent.items()],
            "client": ("127.0.0.1", 1),
            "server": ("bench", 80),
        }

    async def send(self, app: App) -> "Answer":
        """Send it once."""
        answer = Answer()

        sent = False

        async def receive() -> dict[str, Any]:
            nonlocal sent
            if sent:
                # The caller stays until the end: whoever waits for it to leave is stopped by having finished.
                await asyncio.Event().wait()
            sent = True
            return {"type": "http.request", "body": self.body, "more_body": False}

        async def take(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                answer.status = message["status"]
                answer.headers = message["headers"]
            else:
                answer.parts.append(message.get("body", b""))

        await app(dict(self.scope), receive, take)
        return answer


@dataclass(slots=True)
class Answer:
    """What came back."""

    status: int = 0
    headers: list[tuple[bytes, bytes]] = field(default_factory=list)
    parts: list[bytes] = field(default_factory=list)

    @property
    def body(self) -> bytes:
        return b"".join(self.parts)

    def header(self, name: str) -> str:
        return next(value.decode() for key, value in self.headers if key.decode().lower() == name)


async def asked(app: App, call: Call, expect: int = 200) -> Answer:
    """Send it once, and insist on its status."""
    answer = await call.send(app)
    if answer.status != expect:
        raise RuntimeError(f"{call.scope['path']} answered {answer.status}: {answer.body[:300]!r}")
    return answer


async def timed(app: App, call: Call, expect: int = 200) -> float:
    """Send it once, and return the seconds it took."""
    start = time.perf_counter()
    await asked(app, call, expect)
    return time.perf_counter() - start


@asynccontextmanager
async def running(app: App) -> AsyncIterator[App]:
    """Start an application up as a server would, and shut it down."""
    told: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    heard: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    scope = {"type": "lifespan", "asgi": {"version": "3.0"}, "state": {}}
    task = asyncio.create_task(app(scope, told.get, heard.put))
    await told.put({"type": "lifespan.startup"})
    await heard.get()
    try:
        yield app
    finally:
        await told.put({"type": "lifespan.shutdown"})
        await task


class Contestant:
    """An application and the calls it is asked, in turn."""

    def __init__(self, app: App, calls: Call | Sequence[Call], expect: int = 200) -> None:
        self.app = app
        self.turns = cycle([calls] if isinstance(calls, Call) else calls)
        self.expect = expect
        self.shortest = float("inf")
        self.block = 1

    async def prepare(self) -> None:
        call = next(self.turns)
        await asked(self.app, call, self.expect)
        once = await timed(self.app, next(self.turns), self.expect)
        self.block = max(1, int(_BLOCK_SECONDS / once))

    async def run_block(self) -> None:
        calls = [next(self.turns) for _ in range(self.block)]
        start = time.process_time()
        for call in calls:
            await call.send(self.app)
        self.shortest = min(self.shortest, (time.process_time() - start) / self.block)


async def in_turns(*contestants: Contestant, seconds: float) -> list[float]:
    """Let applications answer in turns, a few milliseconds each; return the shortest mean time of a call of each.

    The time is that of the processor, all threads together: what others do on the machine doesn't count.
    """
    for each in contestants:
        await each.prepare()
    until, at_last = time.process_time() + seconds, time.perf_counter() + _PATIENCE * seconds
    rounds = 0
    while rounds < 3 or (time.process_time() < until and time.perf_counter() < at_last):
        for each in contestants:
            await each.run_block()
        rounds += 1
        await asyncio.sleep(0)
    return [each.shortest for each in contestants]
