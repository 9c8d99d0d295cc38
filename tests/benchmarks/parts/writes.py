"""Submissions over real sockets, beside a server that only inserts and commits: by models, and by the driver alone."""

import asyncio
import itertools
import uuid
from collections.abc import Iterable, Iterator

from tests.benchmarks.asking import ask
from tests.benchmarks.bare_writes import prepare
from tests.benchmarks.documents import replications
from tests.benchmarks.rows import Row, at_least, at_most
from tests.benchmarks.servers import bare_writer, manybatch
from tests.benchmarks.sockets import Load, after, load, request
from tests.benchmarks.workshop import ASKED, Workshop

_WARM_UP_SECONDS = 0.5
_BESIDE = (("models", "a bare FastAPI and SQLModel", at_least(0.4)), ("driver", "the driver alone", None))


def measure(shop: Workshop) -> Iterator[Row]:
    spawn = shop.sizes.spawn
    for name, url in _records(shop):
        token = ask(url, {ASKED: "perceivable_difference"})
        prepare(url)
        documents = itertools.cycle(list(replications(ASKED, 20_000 if spawn else 50)))
        ours = (
            request("POST", "/v1/replications", each, authorization=f"Bearer {token}", idempotency_key=uuid.uuid4().hex)
            for each in documents
        )
        bare = {way: _sent_to(f"/{way}", documents) for way, *_ in _BESIDE}
        for workers in shop.sizes.workers:
            clients, under_load = shop.sizes.clients, shop.sizes.under_load
            what = f"submissions on {name}, {workers} worker{'s' if workers > 1 else ''}, {clients} clients"
            shop.tell(what)
            plain = {}
            with bare_writer(url, workers=workers, spawn=spawn) as server:
                for way, requests in bare.items():
                    plain[way] = asyncio.run(_driven(server.port, requests, clients, under_load))
            with manybatch(url, workers=workers, spawn=spawn) as server:
                mine = asyncio.run(_driven(server.port, ours, clients, under_load))
            for way, beside, target in _BESIDE:
                ratio = mine.per_second / plain[way].per_second
                note = f"{mine.per_second:.0f}/s to {plain[way].per_second:.0f}/s"
                yield Row(f"{what}, beside {beside}", ratio, "x", target, note)
            note = f"median {mine.percentile(50) * 1e3:.0f} ms; bare {plain['models'].percentile(99) * 1e3:.0f} ms"
            yield Row(f"{what}, 99 % within", mine.percentile(99) * 1e3, "ms", at_most(150), note)


def _records(shop: Workshop) -> Iterator[tuple[str, str]]:
    yield "SQLite", shop.sqlite_url()
    if shop.postgres is not None:
        yield "PostgreSQL", shop.postgres_url().replace("postgresql://", "postgresql+psycopg://")


def _sent_to(path: str, documents: Iterable[object]) -> Iterator[bytes]:
    return (request("POST", path, each) for each in documents)


async def _driven(port: int, requests: Iterator[bytes], clients: int, seconds: float) -> Load:
    await load(port, requests, clients=clients, until=after(min(_WARM_UP_SECONDS, seconds)), expect=201)
    return await load(port, requests, clients=clients, until=after(seconds), expect=201)
