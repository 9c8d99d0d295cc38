"""The command line of the benchmarks."""

import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from tests.benchmarks.machine import machine
from tests.benchmarks.parts import PARTS
from tests.benchmarks.report import table, write_guide, write_json
from tests.benchmarks.sizes import FULL, TINY
from tests.benchmarks.workshop import Workshop

out = Console(width=160, highlight=False)
err = Console(stderr=True, highlight=False)


def main() -> None:
    """Run the command line; whoever ends it early leaves nothing behind."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(run)
    app()


def run(
    parts: Annotated[list[str] | None, typer.Argument(help=f"Any of {', '.join(PARTS)}; all where left out.")] = None,
    json_file: Annotated[Path | None, typer.Option("--json", help="Write the figures there too.")] = None,
    write: Annotated[bool, typer.Option(help="Put the figures of a whole run into the guide.")] = False,  # noqa: FBT002
    tiny: Annotated[bool, typer.Option(help="Hardly anything, to see that it runs.")] = False,  # noqa: FBT002
) -> None:
    """Measure, each part by itself or all, and say which targets are met."""
    unknown = sorted(set(parts or ()) - set(PARTS))
    if unknown:
        raise typer.BadParameter(f"there is no part {unknown[0]}; there are {', '.join(PARTS)}")
    if write and (parts or tiny):
        raise typer.BadParameter("the guide takes a whole run", param_hint="--write")
    named = machine()
    for name, value in named.items():
        out.print(f"{name}: {value}")
    begun = time.monotonic()
    found = {}
    with tempfile.TemporaryDirectory(prefix="benchmarks-") as folder:
        shop = Workshop(Path(folder), TINY if tiny else FULL, tell=lambda text: err.print(f"[dim]{text}[/]"))
        try:
            for part in parts or PARTS:
                started = time.monotonic()
                found[part] = list(PARTS[part](shop))
                out.print(table(f"{part} ({time.monotonic() - started:.0f} s)", found[part]))
        finally:
            shop.close()
    seconds = time.monotonic() - begun
    missed = [row.what for rows in found.values() for row in rows if row.met is False]
    out.print(f"{seconds:.0f} s in all. {len(missed)} targets missed{':' if missed else '.'}")
    for what in missed:
        out.print(f"  {what}")
    if json_file is not None:
        write_json(json_file, named, found, seconds)
    if write:
        write_guide(named, found, seconds)
