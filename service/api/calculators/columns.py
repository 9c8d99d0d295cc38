"""Columns: where every input that must be given is one number or word, a list of numbers may stand for each number."""

import types
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import numpy as np
from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, create_model
from pydantic.fields import FieldInfo
from pydantic_core import core_schema

from service.api.problems import Fault, Problem, pointer
from service.intake.strict import Strict

LONGEST = 100_000
_LARGEST_WHOLE = 2**53
_ELEMENTS: dict[type, Any] = {
    float: float,
    int: Annotated[int, Field(ge=-_LARGEST_WHOLE, le=_LARGEST_WHOLE)],
}


def number_within(annotation: object) -> type[float] | type[int] | None:
    """Give the number type of a field that takes one number (or none), else nothing."""
    if annotation in (float, int):
        return annotation
    if get_origin(annotation) in (Union, types.UnionType):
        members = [member for member in get_args(annotation) if member is not type(None)]
        return number_within(members[0]) if len(members) == 1 else None
    if get_origin(annotation) is Annotated:
        return number_within(get_args(annotation)[0])
    return None


def numbers_of(inputs: type[Strict]) -> dict[str, type[float] | type[int]]:
    """Name the inputs that are one number, with its type."""
    found = {name: number_within(field.annotation) for name, field in inputs.model_fields.items()}
    return {name: number for name, number in found.items() if number is not None}


def scalars_of(inputs: type[Strict]) -> frozenset[str]:
    """Name the inputs that are one number or one word: those that fit into a query."""
    words = {name for name, field in inputs.model_fields.items() if _is_word(field.annotation)}
    return frozenset(words.union(numbers_of(inputs)))


def every_needed_input_is_scalar(inputs: type[Strict]) -> bool:
    """Whether a calculation can be asked for with numbers and words alone."""
    needed = {name for name, field in inputs.model_fields.items() if field.is_required()}
    return needed <= scalars_of(inputs)


def _is_word(annotation: object) -> bool:
    if get_origin(annotation) in (Union, types.UnionType):
        return all(_is_word(member) for member in get_args(annotation))
    return annotation in (str, bool, type(None)) or get_origin(annotation) is Literal


@dataclass(frozen=True, slots=True)
class _OneOrMany:
    """Lets a list of bare numbers stand where one number does; the science holds each to the same bounds."""

    element: Any

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:  # noqa: ANN401
        one = handler(source)
        element = handler.generate_schema(self.element)
        many = core_schema.list_schema(element, min_length=1, max_length=LONGEST, strict=True, fail_fast=True)
        return core_schema.tagged_union_schema(
            {"[one]": one, "[many]": many}, lambda value: "[many]" if isinstance(value, list) else "[one]"
        )

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        found = handler(schema)
        choices = found.get("oneOf") or found.get("anyOf") or [found]
        return {"anyOf": [member for choice in choices for member in choice.get("anyOf", [choice])]}


def column_model(inputs: type[Strict]) -> type[Strict]:
    """Derive the model of a POST body from the model of one calculation."""
    widened: dict[str, Any] = {}
    for name, number in numbers_of(inputs).items():
        field: FieldInfo = inputs.model_fields[name]
        given: Any = field.annotation
        annotation = Annotated[given, *field.metadata, _OneOrMany(_ELEMENTS[number])]
        described: dict[str, Any] = {
            "default": ... if field.is_required() else field.default,
            "description": field.description,
            "examples": field.examples,
            "json_schema_extra": field.json_schema_extra,
        }
        widened[name] = (annotation, Field(**described))
    return create_model(f"{inputs.__name__}OrColumns", __base__=inputs, __doc__=inputs.__doc__, **widened)


class ColumnsOf:
    """The inputs of a column calculation: each list as an array, each scalar as it is."""

    def __init__(self, inputs: Strict, numbers: "frozenset[str] | set[str]") -> None:
        lengths: dict[str, int] = {}
        for name in type(inputs).model_fields:
            value = getattr(inputs, name)
            if name in numbers and isinstance(value, list):
                lengths[name] = len(value)
                value = np.asarray(value)
            elif isinstance(value, list) and value:
                detail = "this can't go with columns; send one calculation at a time"
                raise Problem(
                    "invalid-input", f"{pointer(name)}: {detail}", faults=[Fault(pointer=pointer(name), detail=detail)]
                )
            setattr(self, name, value)
        self.length = max(lengths.values())
        unequal = [name for name, length in lengths.items() if length != self.length]
        if unequal:
            detail = f"columns must be equally long; the longest has {self.length} numbers"
            raise Problem("invalid-input", detail, faults=[Fault(pointer=pointer(n), detail=detail) for n in unequal])
