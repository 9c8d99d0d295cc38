"""From the command to the first answer, on a record that is there."""

from collections.abc import Iterator

from tests.benchmarks.rows import Row, at_most, grouped
from tests.benchmarks.servers import manybatch
from tests.benchmarks.workshop import Workshop


def measure(shop: Workshop) -> Iterator[Row]:
    times = range(shop.sizes.times)
    record = shop.record(shop.sizes.replications)
    took = min(_started(record.url, f"/v1/questions/{record.slug}/evidence") for _ in times)
    what = f"manybatch serve on {grouped(record.replications)} replications, until it has answered"
    yield Row(what, took * 1e3, "ms", at_most(1500))
    most = shop.record(shop.sizes.growth[-1])
    if most is not record:
        took = min(_started(most.url, "/health/ready") for _ in times)
        yield Row(f"manybatch serve on {grouped(most.replications)} replications, until it is ready", took * 1e3, "ms")


def _started(url: str, first: str) -> float:
    with manybatch(url, first=first) as server:
        return server.seconds
