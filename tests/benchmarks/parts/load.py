"""`manybatch load` of a file of documents."""

from collections.abc import Iterator

from tests.benchmarks.rows import Row, at_least, grouped
from tests.benchmarks.workshop import Record, Workshop


def measure(shop: Workshop) -> Iterator[Row]:
    count = shop.sizes.loaded
    yield _row("SQLite", shop.record(count), 2000)
    if shop.postgres is not None:
        yield _row("PostgreSQL", shop.made(shop.postgres_url(), count), 1000)


def _row(name: str, record: Record, target: float) -> Row:
    per_second = record.replications / record.seconds
    what = f"manybatch load of {grouped(record.replications)} replications into {name}"
    note = f"{record.seconds:.1f} s, {record.processor:.1f} of the processor; {record.peak_mb:.0f} MB at most"
    return Row(what, per_second, "/s", at_least(target), note)
