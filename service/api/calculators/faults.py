"""Where in a document the science found a fault: the one place that knows its spelling and ours."""

from typing import Any, get_args

from pydantic import BaseModel

from service.api.problems import Fault, Problem, pointer
from service.science.errors import InputError

# What shared formulas call an argument -> what the inputs of the calculators that use them call it.
_ALSO = {"temperature_c": "sample_c", "smallest_that_matters": "smallest_difference_that_matters"}


def problem_of(error: InputError, inputs: Any, *, in_query: bool = False) -> Problem:  # noqa: ANN401  inputs, or their columns
    """Turn what the science refuses into a problem that points at the place.

    Parameters
    ----------
    error : InputError
        Its field is an input's name, `list.field` with the item's index, or the bare field of a list's items.
    inputs : Strict
        What was given.
    in_query : bool
        Whether it came as a query, which has no places within.

    """
    steps = _steps(error, inputs)
    where = f"query/{steps[0]}" if in_query and steps else pointer(*steps)
    return Problem(
        "invalid-input", f"{where or 'the body'}: {error.detail}", faults=[Fault(pointer=where, detail=error.detail)]
    )


def _steps(error: InputError, inputs: BaseModel) -> list[str | int]:
    fields = type(inputs).model_fields
    head, *rest = error.field.split(".")
    if head not in fields:
        head, *rest = _among_items(head, inputs) or [_ALSO.get(head, head), *rest]
    if head not in fields:
        return []
    steps: list[str | int] = [head]
    if error.index is not None and isinstance(getattr(inputs, head), list):
        steps.append(error.index)
    part = _model_within(fields[head].annotation)
    return steps + [name if part is None or name in part.model_fields else _ALSO.get(name, name) for name in rest]


def _among_items(field: str, inputs: BaseModel) -> list[str] | None:
    """Find the list of documents whose items have this field."""
    for name, info in type(inputs).model_fields.items():
        part = _model_within(info.annotation)
        if part is not None and field in part.model_fields and isinstance(getattr(inputs, name), list):
            return [name, field]
    return None


def _model_within(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_within(part)) is not None), None)
