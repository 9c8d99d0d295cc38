"""Columns: where every input is one number, a list of numbers may stand in its place."""

import types
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import numpy as np
from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, create_model
from pydantic_core import core_schema

from service.api.problems import Fault, Problem, pointer
from service.intake.quantities import Quantity
from service.intake.strict import Strict

LONGEST = 100_000


def _number_within(annotation: object) -> type[float] | type[int] | None:
    """The number type of a field that takes one number (or none), else nothing."""
    if annotation in (float, int):
        return annotation
    if get_origin(annotation) in (Union, types.UnionType):
        members = [member for member in get_args(annotation) if member is not type(None)]
        return _number_within(members[0]) if len(members) == 1 else None
    if get_origin(annotation) is Annotated:
        return _number_within(get_args(annotation)[0])
    return None


def every_input_is_scalar(inputs: type[Strict]) -> bool:
    """Whether each input is one number or one word."""
    return all(
        _number_within(field.annotation) is not None or _is_scalar_word(field.annotation)
        for field in inputs.model_fields.values()
    )


def _is_scalar_word(annotation: object) -> bool:
    if get_origin(annotation) in (Union, types.UnionType):
        return all(_is_scalar_word(member) for member in get_args(annotation))
    return annotation in (str, bool, type(None)) or get_origin(annotation) is Literal


@dataclass(frozen=True, slots=True)
class _OneOrMany:
    """Lets a list of bare numbers stand where one number does, each held to the same bounds."""

    number: type[float] | type[int]
    bounds: tuple[Any, ...]

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:  # noqa: ANN401
        one = handler(source)
        element = Annotated[self.number, *self.bounds] if self.bounds else self.number
        many = core_schema.list_schema(handler.generate_schema(element), min_length=1, max_length=LONGEST, strict=True)
        return core_schema.tagged_union_schema(
            {"[one]": one, "[many]": many}, lambda value: "[many]" if isinstance(value, list) else "[one]"
        )

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        found = handler(schema)
        choices = found.get("oneOf") or found.get("anyOf") or [found]
        flat = [member for choice in choices for member in choice.get("anyOf", [choice])]
        return {"anyOf": flat}


def column_model(inputs: type[Strict]) -> type[Strict]:
    """Derive the model of a POST body from the model of one calculation."""
    widened: dict[str, Any] = {}
    for name, field in inputs.model_fields.items():
        number = _number_within(field.annotation)
        if number is None:
            continue
        bounds = tuple(part for part in field.metadata if not isinstance(part, Quantity))
        given: Any = field.annotation
        annotation = Annotated[given, *field.metadata, _OneOrMany(number, bounds)]
        default = ... if field.is_required() else field.default
        widened[name] = (annotation, Field(default, description=field.description, examples=field.examples))
    return create_model(f"{inputs.__name__}OrColumns", __base__=inputs, __doc__=inputs.__doc__, **widened)


class ColumnsOf:
    """The inputs of a column calculation: each list as an array, each scalar as it is."""

    def __init__(self, inputs: Strict) -> None:
        lengths: dict[str, int] = {}
        for name in type(inputs).model_fields:
            value = getattr(inputs, name)
            if isinstance(value, list):
                lengths[name] = len(value)
                value = np.asarray(value)
            setattr(self, name, value)
        self.length = max(lengths.values())
        unequal = [name for name, length in lengths.items() if length != self.length]
        if unequal:
            detail = f"columns must be equally long; the longest has {self.length} numbers"
            raise Problem("invalid-input", detail, faults=[Fault(pointer=pointer(n), detail=detail) for n in unequal])


def holds_columns(inputs: Strict) -> bool:
    """Whether any input is a list."""
    return any(isinstance(value, list) for value in inputs.__dict__.values())
