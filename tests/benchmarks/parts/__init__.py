"""What can be measured, by name."""

from collections.abc import Callable, Iterator

from tests.benchmarks.parts import (
    calculators,
    columns,
    evidence,
    exports,
    growth,
    load,
    memory,
    pages,
    pooling,
    reads,
    start,
    writes,
)
from tests.benchmarks.rows import Row
from tests.benchmarks.workshop import Workshop

PARTS: dict[str, Callable[[Workshop], Iterator[Row]]] = {
    "pooling": pooling.measure,
    "calculators": calculators.measure,
    "columns": columns.measure,
    "evidence": evidence.measure,
    "reads": reads.measure,
    "pages": pages.measure,
    "writes": writes.measure,
    "load": load.measure,
    "growth": growth.measure,
    "exports": exports.measure,
    "memory": memory.measure,
    "start": start.measure,
}
