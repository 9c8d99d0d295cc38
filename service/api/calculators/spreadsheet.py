"""A result as two lines of comma-separated values (RFC 4180), for a cell that calls by address."""

import csv
import io
import math
from collections.abc import Iterator, Mapping


def two_lines(result: Mapping[str, object]) -> str:
    """Write a header line of dotted names and a value line; what has no value or no limit is left empty."""
    leaves = dict(_leaves(result, ""))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(leaves)
    writer.writerow(map(_written, leaves.values()))
    return out.getvalue()


def _leaves(value: object, name: str) -> Iterator[tuple[str, object]]:
    if isinstance(value, Mapping):
        for key, part in value.items():
            yield from _leaves(part, f"{name}.{key}" if name else str(key))
    elif isinstance(value, (list, tuple)):
        for place, part in enumerate(value):
            yield from _leaves(part, f"{name}.{place}")
    else:
        yield name, value


def _written(leaf: object) -> object:
    if isinstance(leaf, bool):
        return "true" if leaf else "false"
    return "" if leaf is None or (isinstance(leaf, float) and math.isinf(leaf)) else leaf
