"""Data packages: everything behind an answer, to take away."""

from collections.abc import Iterator

from tests.benchmarks.rows import Row, grouped
from tests.benchmarks.workshop import Workshop


def measure(shop: Workshop) -> Iterator[Row]:
    for count in shop.sizes.exports:
        found = exported(shop, count)
        note = f"{found['seconds']:.2f} s, {found['megabytes']:.1f} MB, {found['peak_mb']:.0f} MB of memory at most"
        yield Row(f"data package of {grouped(count)} replications", count / found["seconds"], "/s", None, note)


def exported(shop: Workshop, count: int) -> dict[str, float]:
    """Take a data package, in a process of its own."""
    record = shop.record(count)
    return shop.once(("exported", count), lambda: shop.inside("exported", url=record.url, slug=record.slug))
