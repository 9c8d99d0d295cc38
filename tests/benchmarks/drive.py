"""Calling an ASGI application without a network, so that what is measured is the application."""

import asyncio
import json
import statistics
import time
from collections.abc import Awaitable, Callable, Sequence
from itertools import cycle
from typing import Any

App = Callable[[Any, Any, Any], Awaitable[None]]


class Call:
    """One request, ready to be sent again and again."""

    def __init__(self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None) -> None:
        path, _, query = path.partition("?")
        self.body = b"" if body is None else json.dumps(body).encode()
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

    async def send(self, app: App) -> tuple[int, bytes]:
        """Send it once and return status and body."""
        status = 0
        parts: list[bytes] = []

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": self.body, "more_body": False}

        async def take(message: dict[str, Any]) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            else:
                parts.append(message.get("body", b""))

        await app(dict(self.scope), receive, take)
        return status, b"".join(parts)


async def seconds_each(app: App, calls: Call | Sequence[Call], *, expect: int, budget: float = 0.4) -> float:
    """Time calls, taken in turn, for about `budget` seconds and return the median time of one, in seconds."""
    turns = cycle([calls] if isinstance(calls, Call) else calls)
    first = next(turns)
    status, body = await first.send(app)
    if status != expect:
        raise RuntimeError(f"{first.scope['path']} answered {status}: {body[:300]!r}")
    times = []
    until = time.perf_counter() + budget
    while time.perf_counter() < until or len(times) < 5:
        call = next(turns)
        start = time.perf_counter()
        await call.send(app)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


async def ratio(
    ours: tuple[App, Call | Sequence[Call]], bare: tuple[App, Call], *, expect: int = 200, rounds: int = 3
) -> float:
    """Time both in turns and return how fast ours is beside the bare one (1 is level, above is faster)."""
    ratios = []
    for _ in range(rounds):
        one = await seconds_each(*bare, expect=200)
        mine = await seconds_each(*ours, expect=expect)
        ratios.append(one / mine)
        await asyncio.sleep(0)
    return statistics.median(ratios)
