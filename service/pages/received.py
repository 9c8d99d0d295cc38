"""What a form or a document holds, read as one of the interface's own models."""

from typing import TypeVar

from pydantic import BaseModel, ValidationError

from service.api.problems import from_validation

M = TypeVar("M", bound=BaseModel)


def read_as(model: type[M], given: object, where: str = "body") -> M:
    """Read it, or raise what is wrong with it: place by place, and never what it was."""
    try:
        return model.model_validate(given)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False, include_input=False)
        raise from_validation([{**fault, "loc": (where, *fault["loc"])} for fault in faults]) from None
