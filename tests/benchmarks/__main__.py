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

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.bare import bare_calculator, bare_get
from benchmarks.drive import Call, ratio, seconds_each

from seed_demo.load import load
from service.api.calculators.catalogue import CALCULATORS
from service.api.evidence_cache import EvidenceCache
from service.app import create_app
from service.record.database import Database
from service.settings import Settings

out = Console(width=110)


async def calculators(app) -> None:
    table = Table("calculator", "µs a call", "beside a bare POST", title="Calculators, one POST each, logs off")
    for calculator in CALCULATORS:
        body = dict(calculator.example)
        call = Call("POST", f"/v1/calculators/{calculator.name}", body)
        inputs = calculator.inputs.model_validate(body)
        bare = bare_calculator(calculator, calculator.result_of(inputs))
        each = await seconds_each(app, call, expect=200)
        level = await ratio((app, call), (bare, Call("POST", "/bare", body)))
        table.add_row(calculator.name, f"{each * 1e6:.0f}", f"{level:.2f}")
    out.print(table)


async def columns(app) -> None:
    table = Table("calculator", "100 000 rows, s", "beside one call each", title="Columns")
    for calculator in CALCULATORS:
        if not calculator.takes_columns:
            continue
        body = dict(calculator.example)
        numbers = {name: value for name, value in body.items() if not isinstance(value, (str, bool))}
        many = {**body, **{name: [value] * 100_000 for name, value in numbers.items()}}
        path = f"/v1/calculators/{calculator.name}"
        start = time.perf_counter()
        status, _ = await Call("POST", path, many).send(app)
        took = time.perf_counter() - start
        one = await seconds_each(app, Call("POST", path, body), expect=200)
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
        settings = Settings().on(database_url=f"sqlite:///{folder}/bench.db", log_level="error")
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
