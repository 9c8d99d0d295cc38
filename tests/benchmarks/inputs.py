"""Inputs that differ from call to call, so that each call is calculated and none remembered."""

from typing import Any

from service.api.calculators.catalogue import CALCULATORS
from service.api.calculators.registry import Calculator
from tests.benchmarks.drive import Call

DISTINCT = 10_000
"""More different inputs than a calculator, or anything that it works out on the way, is remembered for."""


def named(name: str) -> Calculator:
    return next(each for each in CALCULATORS if each.name == name)


def path(calculator: Calculator) -> str:
    return f"/v1/calculators/{calculator.name}"


def bodies(calculator: Calculator, count: int) -> list[dict[str, Any]]:
    """Different inputs for one calculator, each a valid one."""
    example = {
        name: float(value) if _takes_float(calculator, name, value) else value
        for name, value in calculator.example.items()
    }
    return [_varied(example, step) for step in range(count)]


def columns_call(calculator: Calculator, rows: int) -> Call:
    """Ask for many rows in one call, every row different."""
    given = bodies(calculator, rows)
    many = {
        name: value if isinstance(value, (str, bool)) else [row[name] for row in given]
        for name, value in given[0].items()
    }
    return Call("POST", path(calculator), many)


def _varied(value: Any, step: int, *, whole: bool = False) -> Any:
    """The same inputs with every number a little different."""
    if isinstance(value, dict):
        return {
            name: f"{step:064x}" if name == "seed" else _varied(part, step, whole=name in {"presented", "tasters"})
            for name, part in value.items()
        }
    if isinstance(value, list):
        return [_varied(part, step) for part in value]
    if isinstance(value, float) or (isinstance(value, int) and not isinstance(value, bool) and whole):
        return value + step % DISTINCT if whole else value * (1.0 - 1e-9 * step)
    return value


def _takes_float(calculator: Calculator, name: str, value: Any) -> bool:
    annotation = calculator.inputs.model_fields[name].annotation
    return isinstance(value, int) and not isinstance(value, bool) and "int" not in str(annotation)
