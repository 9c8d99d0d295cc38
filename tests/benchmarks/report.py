"""A run as a table on the screen, as JSON, and as a table in the guide."""

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.table import Table

from tests.benchmarks import PROJECT
from tests.benchmarks.rows import Row

GUIDE = PROJECT / "openapi_notes" / "performance.md"
BEGIN, END = "<!-- figures -->\n", "<!-- end of figures -->\n"

Found = Mapping[str, Sequence[Row]]


def table(part: str, rows: Sequence[Row]) -> Table:
    """Lay a part's figures out for the screen."""
    drawn = Table("what", "figure", "target", "", "note", title=part, title_justify="left")
    drawn.columns[1].justify = drawn.columns[2].justify = "right"
    colours = {None: "", True: "green", False: "red"}
    for row in rows:
        drawn.add_row(
            row.what, row.shown, row.wanted, f"[{colours[row.met]}]{row.verdict}[/]" if row.verdict else "", row.note
        )
    return drawn


def plain(machine: Mapping[str, str], found: Found, seconds: float) -> dict[str, Any]:
    """Give a run as plain values."""
    parts = {part: [row.plain() for row in rows] for part, rows in found.items()}
    return {"machine": dict(machine), "seconds": round(seconds, 1), "parts": parts}


def write_json(path: Path, machine: Mapping[str, str], found: Found, seconds: float) -> None:
    path.write_text(json.dumps(plain(machine, found, seconds), indent=1, ensure_ascii=False) + "\n")


def markdown(machine: Mapping[str, str], found: Found, seconds: float) -> str:
    """Write a run as Markdown."""
    held = [row for rows in found.values() for row in rows if row.met is not None]
    missed = [row for row in held if not row.met]
    things = "; ".join(f"{name} {value}" for name, value in machine.items())
    lines = [
        f"Taken on {datetime.now(UTC):%Y-%m-%d} in {seconds / 60:.0f} minutes. {things}.",
        "",
        f"{len(held) - len(missed)} of {len(held)} targets met.",
    ]
    for part, rows in found.items():
        lines += [
            "",
            f"### {part}",
            "",
            "| what | figure | target | verdict | note |",
            "| --- | ---: | ---: | --- | --- |",
        ]
        lines += [f"| {row.what} | {row.shown} | {row.wanted} | {row.verdict} | {row.note} |" for row in rows]
    return "\n".join(lines) + "\n"


def write_guide(machine: Mapping[str, str], found: Found, seconds: float, guide: Path = GUIDE) -> None:
    """Put a run's table between the guide's markers."""
    before, _, rest = guide.read_text().partition(BEGIN)
    _, end, after = rest.partition(END)
    if not end:
        raise ValueError(f"{guide} has no markers to write between")
    guide.write_text(f"{before}{BEGIN}{markdown(machine, found, seconds)}{END}{after}")
