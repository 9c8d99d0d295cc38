"""One thing read, and lists, beside a bare GET of the same bytes."""

import asyncio
import json
from collections.abc import Iterator

from service.api.paging import encode
from tests.benchmarks.bare import bare_get
from tests.benchmarks.drive import Call, Contestant, asked, in_turns
from tests.benchmarks.inside import service
from tests.benchmarks.rows import Row
from tests.benchmarks.workshop import Record, Workshop


def measure(shop: Workshop) -> Iterator[Row]:
    yield from asyncio.run(_read(shop.record(shop.sizes.replications), shop.sizes.seconds))


async def _read(record: Record, seconds: float) -> list[Row]:
    rows = []
    async with service(record.url) as app:
        newest = json.loads((await asked(app, Call("GET", "/v1/replications?limit=1"))).body)["items"][0]
        size = json.loads((await asked(app, Call("GET", "/v1/ledger/head"))).body)["size"]
        paths = {
            "a replication": f"/v1/replications/{newest['id']}",
            "a replication's report": f"/v1/replications/{newest['id']}/report",
            "a question": f"/v1/questions/{record.slug}",
            "the list of questions": "/v1/questions",
            "50 replications, newest first": f"/v1/replications?question={record.slug}",
            "the last replications": f"/v1/replications?question={record.slug}&after={encode(size // 2)}",
            "50 studies": f"/v1/questions/{record.slug}/evidence/studies",
            "50 ledger entries": "/v1/ledger",
            "the last ledger entries": f"/v1/ledger?after={max(0, size - 50)}",
            "the tree head": "/v1/ledger/head",
            "an inclusion proof": f"/v1/ledger/{size // 2}/proof",
            "a consistency proof": f"/v1/ledger/consistency?from={size // 2}&to={size}",
            "the feed": f"/v1/questions/{record.slug}/feed",
            "the page of a question": f"/questions/{record.slug}",
        }
        for name, path in paths.items():
            call = Call("GET", path)
            body = (await asked(app, call)).body
            took, plain = await in_turns(
                Contestant(app, call), Contestant(bare_get(body), Call("GET", "/bare")), seconds=seconds
            )
            note = f"{len(body) / 1000:.1f} kB, {plain / took:.2f}x a bare GET"
            rows.append(Row(f"read: {name}", took * 1e3, "ms", None, note))
    return rows
