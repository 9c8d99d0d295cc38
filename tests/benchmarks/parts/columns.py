"""Whole columns in one call: JSON in, JSON out."""

import asyncio
import logging
from collections.abc import Iterator

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.registry import Calculator
from service.app import create_app
from tests.benchmarks.asking import settings_on
from tests.benchmarks.drive import App, Call, Contestant, in_turns, timed
from tests.benchmarks.inputs import DISTINCT, bodies, columns_call, path
from tests.benchmarks.rows import Row, at_most, grouped
from tests.benchmarks.workshop import Workshop

SWIFT = {"proofing/dilution", "proofing/strength", "proofing/volume", "gravity/hydrometer"}
"""Dilutions and temperature corrections."""


def measure(shop: Workshop) -> Iterator[Row]:
    app = create_app(settings_on("sqlite:////nowhere/none.db"))
    logging.disable(logging.CRITICAL)
    for calculator in [each for each in CALCULATORS if each.takes_columns][: shop.sizes.calculators]:
        yield asyncio.run(_columns(app, calculator, shop.sizes.rows, shop.sizes.seconds))


async def _columns(app: App, calculator: Calculator, rows: int, seconds: float) -> Row:
    call = columns_call(calculator, rows)
    took = min([await timed(app, call) for _ in range(3)])
    singles = [Call("POST", path(calculator), body) for body in bodies(calculator, DISTINCT)]
    (one,) = await in_turns(Contestant(app, singles), seconds=seconds / 4)
    target = at_most(300) if calculator.name in SWIFT else None
    return Row(
        f"{calculator.name}, {grouped(rows)} rows", took * 1e3, "ms", target, f"{one * rows / took:.0f}x one call each"
    )
