"""What a calculator is: one pure function and two models, in one entry."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any, get_args

import numpy as np
from pydantic import BaseModel, ConfigDict
from pydantic_core import to_json

from service.api.calculators.columns import ColumnsOf, column_model, every_input_is_scalar
from service.intake.strict import Strict


class Result(BaseModel):
    """What a calculator answers: documented by its fields, filled from the science."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)


class Estimate(Result):
    """A value with its interval; `high` is null where there is no upper limit."""

    estimate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Calculator:
    """One calculator: its texts, its two models, and the function between them.

    `compute` takes the inputs, each a number or (for columns) an array, and returns an object with the attributes that
    `result` names. `reading` puts one calculation into words. `cautions` says what can hurt.
    """

    name: str
    title: str
    summary: str
    inputs: type[Strict]
    result: type[Result]
    compute: Callable[[Any], object]
    sources: Sequence[str]
    example: Mapping[str, Any]
    method: str
    reading: Callable[[Any, Any], str] | None = None
    cautions: Callable[[Any], Sequence[str]] = field(default=lambda _: ())
    body: type[Strict] = field(init=False)
    takes_columns: bool = field(init=False)
    method_json: bytes = field(init=False)

    def __post_init__(self) -> None:
        takes_columns = every_input_is_scalar(self.inputs)
        object.__setattr__(self, "takes_columns", takes_columns)
        object.__setattr__(self, "body", column_model(self.inputs) if takes_columns else self.inputs)
        object.__setattr__(self, "method_json", to_json({"summary": self.method, "sources": list(self.sources)}))

    def answer(self, inputs: Strict) -> bytes:
        """Calculate once and render inputs, result, method and cautions."""
        computed = self.compute(inputs)
        result = pick(self.result, computed, _one)
        if self.reading is not None:
            result["reading"] = self.reading(inputs, computed)
        return b"".join(
            (
                b'{"inputs":',
                inputs.__pydantic_serializer__.to_json(inputs, exclude_none=True),
                b',"result":',
                to_json(result, inf_nan_mode="null"),
                b',"method":',
                self.method_json,
                b',"cautions":',
                to_json(list(self.cautions(inputs))),
                b"}",
            )
        )

    def result_of(self, inputs: Strict) -> dict[str, Any]:
        """Calculate once and return the plain result."""
        computed = self.compute(inputs)
        result = pick(self.result, computed, _one)
        if self.reading is not None:
            result["reading"] = self.reading(inputs, computed)
        return result

    def answer_columns(self, columns: ColumnsOf) -> bytes:
        """Calculate for whole columns at once and render each leaf as a list."""
        result = pick(self.result, self.compute(columns), lambda leaf: _many(leaf, columns.length))
        return b"".join(
            (
                b'{"result":',
                to_json(result, inf_nan_mode="null"),
                b',"method":',
                self.method_json,
                b',"cautions":',
                to_json(list(self.cautions(columns))),
                b"}",
            )
        )


def pick(model: type[BaseModel], computed: object, leaf: Callable[[object], Any]) -> dict[str, Any]:
    """Take from what the science returned just the fields that a result names."""
    picked = {}
    for name, submodel in _plan(model):
        value = getattr(computed, name)
        picked[name] = _pick_value(submodel, value, leaf)
    return picked


def _pick_value(submodel: type[BaseModel] | None, value: object, leaf: Callable[[object], Any]) -> object:
    if value is None:
        return None
    if isinstance(value, Mapping):
        return {key: _pick_value(submodel, part, leaf) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_pick_value(submodel, part, leaf) for part in value]
    if submodel is not None:
        return pick(submodel, value, leaf)
    if is_dataclass(value) and not isinstance(value, type):
        return {part.name: _pick_value(None, getattr(value, part.name), leaf) for part in fields(value)}
    return leaf(value)


_PLANS: dict[type[BaseModel], tuple[tuple[str, type[BaseModel] | None], ...]] = {}


def _plan(model: type[BaseModel]) -> tuple[tuple[str, type[BaseModel] | None], ...]:
    plan = _PLANS.get(model)
    if plan is None:
        named = ((name, part.annotation) for name, part in model.model_fields.items() if name != "reading")
        plan = _PLANS[model] = tuple((name, _model_within(annotation)) for name, annotation in named)
    return plan


def _model_within(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_within(part)) is not None), None)


def _one(leaf: object) -> object:
    return leaf.item() if isinstance(leaf, np.generic) else leaf


def _many(leaf: object, length: int) -> list[Any]:
    if not isinstance(leaf, np.ndarray):
        return [_one(leaf)] * length
    if leaf.dtype.kind == "f" and not np.isfinite(leaf).all():
        leaf = leaf.astype(object)
        leaf[~np.isfinite(leaf.astype(float))] = None
    values: list[Any] = leaf.tolist()
    return values
