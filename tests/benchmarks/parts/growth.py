"""One question with ever more replications, and ever more questions."""

import asyncio
import itertools
from collections.abc import Iterator
from typing import Any

from tests.benchmarks.inputs import bodies, named, path
from tests.benchmarks.rows import Row, at_most, grouped, milliseconds
from tests.benchmarks.servers import manybatch
from tests.benchmarks.sockets import Load, after, connected, load, request
from tests.benchmarks.workshop import Record, Workshop

TIMES = (
    "cold",
    "cold, from the rows",
    "after one more",
    "list page",
    "list page at depth",
    "ledger page at depth",
    "studies page",
)
TARGETS = {
    ("cold", 10_000): at_most(250),
    ("cold", 100_000): at_most(2000),
    ("after one more", 100_000): at_most(250),
}


def measure(shop: Workshop) -> Iterator[Row]:
    for count in shop.sizes.growth:
        yield from _rows(f"{grouped(count)} replications of one question", grown(shop, count), count)
    many = of_many_questions(shop)
    what = f"{grouped(shop.sizes.questions)} questions"
    yield from _rows(what, many)
    for name in ("question list", "question list again", "question list at depth"):
        yield milliseconds(f"{what}, {name}", many[name])
    yield from _meanwhile(shop, shop.record(shop.sizes.growth[-1]))


def grown(shop: Workshop, count: int) -> dict[str, float]:
    """Read a question of so many replications, in a process of its own."""
    record = shop.record(count)

    def read() -> dict[str, float]:
        shop.tell(f"reading {count} replications")
        return shop.inside("grown", **_given(shop, record))

    return shop.once(("grown", count), read)


def of_many_questions(shop: Workshop) -> dict[str, float]:
    """Read one of many questions, in a process of its own."""
    record = shop.of_many_questions(shop.sizes.questions)
    return shop.once("many questions", lambda: shop.inside("many_questions", **_given(shop, record)))


def _given(shop: Workshop, record: Record) -> dict[str, Any]:
    named = {"url": record.url, "slug": record.slug, "token": record.token, "count": record.replications}
    return {**named, "seconds": 2 * shop.sizes.seconds}


def _rows(what: str, found: dict[str, float], count: int = 1) -> Iterator[Row]:
    for name in TIMES:
        note = _of_cold(found) if name == "cold" else ""
        yield milliseconds(f"{what}, {name}", found[name], TARGETS.get((name, count)), note)
    for name in ("warm", "304"):
        bare = found["bare 304" if name == "304" else "bare"]
        note = f"{bare / found[name]:.2f}x a bare GET"
        yield Row(f"{what}, {name}", found[name] * 1e6, "µs", None, note)


def _of_cold(found: dict[str, float]) -> str:
    busy = f"{grouped(found['processor'] * 1e3)} ms of the processor"
    return f"{busy}, {found['peak_mb']:.0f} MB at most, {found['kilobytes']:.0f} kB sent"


def _meanwhile(shop: Workshop, record: Record) -> Iterator[Row]:
    """Ask a calculator over a socket, while nothing else happens and while the largest answer is made."""
    calculator = named("proofing/dilution")
    asked = itertools.cycle([request("POST", path(calculator), body) for body in bodies(calculator, 2000)])
    with manybatch(record.url, spawn=shop.sizes.spawn) as server:
        still, busy = asyncio.run(_both(server.port, record, asked, shop.sizes.under_load))
    ratio = busy.percentile(99) / still.percentile(99)
    note = (
        f"{busy.percentile(99) * 1e3:.1f} ms to {still.percentile(99) * 1e3:.1f} ms, "
        f"median {busy.percentile(50) * 1e3:.1f} ms to {still.percentile(50) * 1e3:.1f} ms"
    )
    what = f"a calculator's slowest in 100 while {grouped(record.replications)} replications are pooled, beside idle"
    yield Row(what, ratio, "x", at_most(2), note)


async def _both(port: int, record: Record, asked: Iterator[bytes], seconds: float) -> tuple[Load, Load]:
    await load(port, asked, clients=1, until=after(seconds / 4))
    still = await load(port, asked, clients=1, until=after(seconds))
    pooling = asyncio.create_task(_pool(port, record, seconds))
    busy = await load(port, asked, clients=1, until=pooling.done)
    await pooling
    return still, busy


async def _pool(port: int, record: Record, seconds: float) -> None:
    """Ask for one state of the record after another, none of which was asked for before."""
    enough = after(seconds)
    async with connected(port) as connection:
        for position in range(record.replications, record.replications // 2, -1):
            if enough():
                break
            await connection.send(request("GET", f"/v1/questions/{record.slug}/evidence?as_of={position}"))
