"""`python -m benchmarks`, from the `tests` folder: throughput as ratios to a bare FastAPI application, in one run."""

import asyncio
import json
import logging
import os
import platform
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.bare import bare_calculator, bare_get
from benchmarks.drive import Call, ratio, seconds_each

from seed_demo.load import load
from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.registry import Calculator
from service.api.evidence_cache import EvidenceCache
from service.app import create_app
from service.record.database import Database
from service.settings import Settings

out = Console(width=110)


DISTINCT = 2000
"""More different inputs than a calculator remembers answers for, so that each call is calculated."""


def varied(value: Any, step: int, *, whole: bool = False) -> Any:
    """The same inputs with every number a little different."""
    if isinstance(value, dict):
        return {
            name: varied(part, step, whole=name in {"presented", "presentations", "tasters"})
            for name, part in value.items()
        }
    if isinstance(value, list):
        return [varied(part, step) for part in value]
    if isinstance(value, float) or (isinstance(value, int) and not isinstance(value, bool) and whole):
        return value + step if whole else value * (1.0 - 1e-9 * step)
    return value


def bodies(calculator: Calculator, count: int) -> list[dict[str, Any]]:
    """Different inputs for one calculator, each a valid one."""
    example = {
        name: float(value) if _takes_float(calculator, name, value) else value
        for name, value in calculator.example.items()
    }
    return [varied(example, step) for step in range(count)]


def _takes_float(calculator: Calculator, name: str, value: Any) -> bool:
    annotation = calculator.inputs.model_fields[name].annotation
    return isinstance(value, int) and not isinstance(value, bool) and "int" not in str(annotation)


async def calculators(app) -> None:
    table = Table(
        "calculator", "µs, new inputs", "beside a bare POST", "µs, asked again", "beside a bare POST",
        title="Calculators, one POST each, logs off",
    )  # fmt: skip
    for calculator in CALCULATORS:
        path = f"/v1/calculators/{calculator.name}"
        example = dict(calculator.example)
        fresh = [Call("POST", path, body) for body in bodies(calculator, DISTINCT)]
        again = Call("POST", path, example)
        bare = bare_calculator(calculator, calculator.result_of(calculator.inputs.model_validate(example)))
        plain = (bare, Call("POST", "/bare", example))
        table.add_row(
            calculator.name,
            f"{await seconds_each(app, fresh, expect=200) * 1e6:.0f}",
            f"{await ratio((app, fresh), plain):.2f}",
            f"{await seconds_each(app, again, expect=200) * 1e6:.0f}",
            f"{await ratio((app, again), plain):.2f}",
        )
    out.print(table)


async def columns(app) -> None:
    table = Table("calculator", "100 000 rows, s", "beside one call each", title="Columns, every row different")
    for calculator in CALCULATORS:
        if not calculator.takes_columns:
            continue
        path = f"/v1/calculators/{calculator.name}"
        rows = bodies(calculator, 100_000)
        many = {
            name: value if isinstance(value, (str, bool)) else [row[name] for row in rows]
            for name, value in rows[0].items()
        }
        unseen = [Call("POST", path, row) for row in rows[-DISTINCT:]]
        call = Call("POST", path, many)
        start = time.perf_counter()
        status, _ = await call.send(app)
        took = time.perf_counter() - start
        one = await seconds_each(app, unseen, expect=200)
        table.add_row(calculator.name, f"{took:.2f}" if status == 200 else str(status), f"{one * 1e5 / took:.0f}x")
    out.print(table)


async def evidence(app, slugs: list[str]) -> None:
    table = Table("evidence", "ms", "beside a bare GET of the same bytes", title="Evidence, the demo's questions")
    cache = app.app.state
    for slug in slugs:
        call = Call("GET", f"/v1/questions/{slug}/evidence")
        cold = []
        for _ in range(5):
            cache.evidence = EvidenceCache()
            start = time.perf_counter()
            await call.send(app)
            cold.append(time.perf_counter() - start)
        _, body = await call.send(app)
        warm = await seconds_each(app, call, expect=200)
        level = await ratio((app, call), (bare_get(body), Call("GET", "/bare")))
        table.add_row(f"{slug}, cold", f"{min(cold) * 1e3:.1f}", "")
        table.add_row(f"{slug}, warm", f"{warm * 1e3:.2f}", f"{level:.2f}")
    out.print(table)


async def main() -> None:
    out.print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings().on(database_url=f"sqlite:///{folder}/bench.db", log_level="error", rate_limits="off")
        database = Database(settings.database_url, pool_size=settings.threads)
        database.migrate()
        load(database)
        app = create_app(settings, database)
        logging.disable(logging.CRITICAL)
        await calculators(app)
        await columns(app)
        _, listed = await Call("GET", "/v1/questions").send(app)
        await evidence(app, [item["slug"] for item in json.loads(listed)["items"]])
        database.dispose()


asyncio.run(main())
