"""The pooled answer: made from the record, given again, and found unchanged."""

import asyncio
from collections.abc import Iterator

from service.app import create_app
from service.record.database import Database
from tests.benchmarks.asking import WARMING, settings_on
from tests.benchmarks.bare import bare_get, raw
from tests.benchmarks.documents import Primary
from tests.benchmarks.drive import Call, Contestant, asked, in_turns, running, timed
from tests.benchmarks.inside import KEPT, processor_seconds, service
from tests.benchmarks.rows import Row, at_least, at_most, grouped, milliseconds
from tests.benchmarks.workshop import Record, Workshop

DRAWINGS = ("forest.svg", "forest.png", "path.svg", "path.png")
PRIMARIES: dict[Primary, str] = {"perceivable_difference": "tasted", "final_sg": "measured"}


def measure(shop: Workshop) -> Iterator[Row]:
    count = shop.sizes.replications
    for primary, name in PRIMARIES.items():
        record = shop.record(count, primary)
        what = f"{grouped(count)} {name} replications"
        cold, busy = asyncio.run(_cold(record, shop.sizes.times))
        note = f"{busy * 1e3:.0f} ms of the processor"
        yield milliseconds(f"{what}, answer made from SQLite", cold, at_most(40), note)
        yield from asyncio.run(_kept(record, what, shop.sizes.seconds))
    yield from asyncio.run(_drawn(record, what))


async def _cold(record: Record, times: int) -> tuple[float, float]:
    """Ask processes, as it were, that haven't been asked before: nothing is kept but connections."""
    call = Call("GET", f"/v1/questions/{record.slug}/evidence")
    settings = settings_on(record.url)
    took = []
    for _ in range(times):
        async with running(create_app(settings, Database(record.url, pool_size=settings.threads))) as app:
            await asked(app, Call("GET", f"/v1/questions/{WARMING}/evidence"))
            busy = processor_seconds()
            took.append((await timed(app, call), processor_seconds() - busy))
    return min(took)


async def _kept(record: Record, what: str, seconds: float) -> list[Row]:
    call = Call("GET", f"/v1/questions/{record.slug}/evidence")
    async with service(record.url) as app:
        answer = await asked(app, call)
        unchanged = Call("GET", call.scope["path"], headers={"if-none-match": answer.header("etag")})
        bare = bare_get(answer.body)
        warm, plain, least, same, plain_same = await in_turns(
            Contestant(app, call),
            Contestant(bare, Call("GET", "/bare")),
            Contestant(raw(answer.body), Call("GET", "/raw")),
            Contestant(app, unchanged, 304),
            Contestant(bare, Call("GET", "/bare", headers=KEPT), 304),
            seconds=4 * seconds,
        )
    size = f"{len(answer.body) / 1000:.0f} kB, {warm * 1e6:.0f} µs"
    note = f"{size}; FastAPI alone {plain * 1e6:.0f}, no framework {least * 1e6:.0f}"
    return [
        Row(f"{what}, answer given again, beside a bare GET of the same bytes", plain / warm, "x", at_least(0.5), note),
        Row(
            f"{what}, unchanged (304), beside a bare 304",
            plain_same / same,
            "x",
            at_least(0.6),
            f"{same * 1e6:.0f} µs to {plain_same * 1e6:.0f} µs",
        ),
    ]


async def _drawn(record: Record, what: str) -> list[Row]:
    rows = []
    async with service(record.url) as app:
        await asked(app, Call("GET", f"/v1/questions/{record.slug}/evidence"))
        for name in DRAWINGS:
            await asked(app, Call("GET", f"/v1/questions/{WARMING}/evidence/{name}"))
            call = Call("GET", f"/v1/questions/{record.slug}/evidence/{name}")
            first = await timed(app, call)
            (again,) = await in_turns(Contestant(app, call), seconds=0.1)
            rows.append(milliseconds(f"{what}, {name}", first, note=f"again {again * 1e3:.2f} ms"))
    return rows
