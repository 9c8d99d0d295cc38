"""Each calculator beside the framework alone with the same models, and with less than the framework."""

import asyncio
import logging
from collections.abc import Iterator

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.registry import Calculator
from service.app import create_app
from tests.benchmarks.asking import settings_on
from tests.benchmarks.bare import bare_calculator, raw
from tests.benchmarks.drive import App, Call, Contestant, asked, in_turns
from tests.benchmarks.inputs import DISTINCT, bodies, path
from tests.benchmarks.rows import Row, at_least
from tests.benchmarks.workshop import Workshop


def measure(shop: Workshop) -> Iterator[Row]:
    app = create_app(settings_on("sqlite:////nowhere/none.db"))
    logging.disable(logging.CRITICAL)
    for calculator in CALCULATORS[: shop.sizes.calculators]:
        yield asyncio.run(_beside(app, calculator, shop.sizes.seconds))


async def _beside(app: App, calculator: Calculator, seconds: float) -> Row:
    example = dict(calculator.example)
    fresh = [Call("POST", path(calculator), body) for body in bodies(calculator, DISTINCT)]
    bare = bare_calculator(calculator, calculator.result_of(calculator.inputs.model_validate(example)))
    same = Call("POST", path(calculator), example)
    nothing = raw((await asked(app, same)).body)
    new, plain, least, again = await in_turns(
        Contestant(app, fresh),
        Contestant(bare, Call("POST", "/bare", example)),
        Contestant(nothing, Call("POST", "/raw", example)),
        Contestant(app, same),
        seconds=2 * seconds,
    )
    note = (
        f"{new * 1e6:.0f} µs; FastAPI alone {plain * 1e6:.0f}, no framework {least * 1e6:.0f}; "
        f"asked again {plain / again:.2f}x"
    )
    return Row(f"{calculator.name}, inputs not seen before", plain / new, "x", at_least(0.75), note)
