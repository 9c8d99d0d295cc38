"""A server's workers tell each other what they count, so that whoever asks one of them sees all of them."""

import os
from collections.abc import AsyncIterator, Iterable, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from anyio import Path as AsyncPath
from anyio import connect_unix, create_task_group, create_unix_listener, move_on_after
from anyio.abc import SocketStream
from anyio.to_thread import run_sync
from prometheus_client import generate_latest
from prometheus_client.registry import Collector

if TYPE_CHECKING:
    from prometheus_client.core import Metric

MEETING_PLACE = "MANYBATCH_MEETING_PLACE"
"""Names the folder in which workers find each other; set for them by the process that starts them."""

_PATIENCE_S = 2.0


class Crew:
    """One worker among the others that it was started with; alone where there is no meeting place.

    Each listens on a socket of its own, which only the same user can reach, and answers with its counters as they are.
    """

    def __init__(self, counters: Collector, meeting_place: Path | None = None) -> None:
        self._meeting_place = meeting_place
        self._me = f"{os.getpid()}.sock"
        self._counters = counters if meeting_place is None else _OfWorker(counters, str(os.getpid()))

    @asynccontextmanager
    async def present(self) -> AsyncIterator[None]:
        """Answer the others meanwhile."""
        if self._meeting_place is None:
            yield
            return
        mine = self._meeting_place / self._me
        async with await create_unix_listener(mine) as listener, create_task_group() as tasks:
            tasks.start_soon(listener.serve, self._tell)
            yield
            tasks.cancel_scope.cancel()
        mine.unlink(missing_ok=True)

    async def text(self) -> bytes:
        """Give the counters of everybody who is there, in the text form that Prometheus reads."""
        texts = [await self._own()]

        async def ask(other: Path) -> None:
            with move_on_after(_PATIENCE_S):
                try:
                    async with await connect_unix(other) as stream:
                        texts.append(b"".join([part async for part in stream]))
                except ConnectionRefusedError:
                    await AsyncPath(other).unlink(missing_ok=True)  # its worker died without a word
                except OSError:
                    pass

        async with create_task_group() as tasks:
            for other in () if self._meeting_place is None else self._meeting_place.glob("*.sock"):
                if other.name != self._me:
                    tasks.start_soon(ask, other)
        return b"".join(_merged(texts))

    async def _own(self) -> bytes:
        return await run_sync(generate_latest, self._counters)

    async def _tell(self, stream: SocketStream) -> None:
        async with stream:
            with suppress(OSError):
                await stream.send(await self._own())


class _OfWorker(Collector):
    """The same counters, with the worker's name on each."""

    def __init__(self, counters: Collector, worker: str) -> None:
        self._counters, self._worker = counters, worker

    def collect(self) -> "Iterator[Metric]":
        for metric in self._counters.collect():
            metric.samples = [each._replace(labels={**each.labels, "worker": self._worker}) for each in metric.samples]
            yield metric


def _merged(texts: Iterable[bytes]) -> Iterable[bytes]:
    """Put the samples of each name together: the text form has every name once."""
    heads: dict[bytes, list[bytes]] = {}
    samples: dict[bytes, list[bytes]] = {}
    for text in texts:
        name = b""
        for line in text.splitlines(keepends=True):
            if line.startswith(b"# HELP "):
                name = line.split(b" ", 3)[2]
                heads.setdefault(name, [line])
            elif line.startswith(b"# TYPE "):
                heads[name][1:] = [line]
            else:
                samples.setdefault(name, []).append(line)
    for name, head in heads.items():
        yield from (*head, *samples.get(name, ()))
