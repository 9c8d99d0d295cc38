"""From the command to the first answer, on a record that is there."""

from collections.abc import Iterator

from tests.benchmarks.rows import Row, at_most
from tests.benchmarks.servers import manybatch
from tests.benchmarks.workshop import Workshop

_TIMES = 3


def measure(shop: Workshop) -> Iterator[Row]:
    counts = dict.fromkeys((shop.sizes.replications, shop.sizes.growth[-1]))
    for count in counts:
        record = shop.record(count)
        target = at_most(1500) if count == shop.sizes.replications else None
        for first, what in ((f"/v1/questions/{record.slug}/evidence", "answer"), ("/health/ready", "ready")):
            took = min(_started(record.url, first) for _ in range(_TIMES if shop.sizes.spawn else 1))
            wanted = target if what == "answer" else None
            yield Row(f"manybatch serve on {count} replications, until {what}", took * 1e3, "ms", wanted)


def _started(url: str, first: str) -> float:
    with manybatch(url, first=first) as server:
        return server.seconds
