"""The most memory that a process ever held; each works in a process of its own."""

from collections.abc import Iterator

from tests.benchmarks.parts.exports import exported
from tests.benchmarks.parts.growth import grown, of_many_questions
from tests.benchmarks.rows import Row, Target, at_most, grouped
from tests.benchmarks.workshop import Workshop


def measure(shop: Workshop) -> Iterator[Row]:
    sizes = shop.sizes
    idle = shop.inside("idle", url=shop.record(sizes.replications).url)["peak_mb"]
    yield Row("memory: a server that has answered once", idle, "MB")
    for count in sizes.growth:
        what = f"memory: evidence of {grouped(count)} replications"
        yield _row(what, grown(shop, count)["peak_mb"], idle, at_most(400))
    yield _row(f"memory: the list of {grouped(sizes.questions)} questions", of_many_questions(shop)["peak_mb"], idle)
    for count in sizes.exports:
        yield _row(f"memory: data package of {grouped(count)} replications", exported(shop, count)["peak_mb"], idle)
    columns = shop.inside("columns", name="proofing/dilution", rows=sizes.rows)["peak_mb"]
    yield _row(f"memory: {grouped(sizes.rows)} dilutions in one call", columns, idle)
    loaded = shop.record(sizes.loaded).peak_mb
    yield _row(f"memory: manybatch load of {grouped(sizes.loaded)} replications", loaded, idle)


def _row(what: str, peak: float, idle: float, target: Target | None = None) -> Row:
    return Row(what, peak, "MB", target, f"{peak - idle:+.0f} MB")
