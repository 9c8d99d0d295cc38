"""What calculators answer, and how it is taken from what the science returns."""

from collections.abc import Callable, Mapping
from collections.abc import Set as AbstractSet
from operator import attrgetter
from typing import Any, ClassVar, get_args, get_origin

from pydantic import BaseModel

from service.evidence.blocks import Block

Taker = Callable[[Any], Any]


class Result(Block):
    """What a calculator answers: documented by its fields, filled from the science.

    `prose` names the texts that a column of results is answered without: they would be most of it.
    """

    prose: ClassVar[frozenset[str]] = frozenset({"reading"})


def taker(model: type[BaseModel], *, leaf: Taker | None = None, without: AbstractSet[str] = frozenset()) -> Taker:
    """Make the function that takes from an object just the fields that a model names, as plain values.

    Parameters
    ----------
    model : type
        The result, or a part of it.
    leaf : callable, optional
        What is done to each single value.
    without : set of str
        Fields left out, here and, as each part's own `prose` says, further in.

    """
    named = {name: part.annotation for name, part in model.model_fields.items() if name not in without}
    steps = {name: step for name, annotation in named.items() if (step := _step(annotation, leaf)) is not None}
    names = tuple(named)
    # attrgetter gives a bare value, and not a tuple, for one name.
    read: Taker = attrgetter(*names) if len(names) > 1 else lambda found: (getattr(found, names[0]),)
    if not steps:
        return lambda found: dict(zip(names, read(found), strict=True))

    def take(found: object) -> dict[str, Any]:
        taken = dict(zip(names, read(found), strict=True))
        for name, step in steps.items():
            taken[name] = step(taken[name])
        return taken

    return take


def _step(annotation: object, leaf: Taker | None) -> Taker | None:
    """What has to be done to a value of this type; None where it goes out as it is."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return taker(annotation, leaf=leaf, without=getattr(annotation, "prose", frozenset()) if leaf else frozenset())
    inner = [part for part in get_args(annotation) if part is not type(None)]
    origin = get_origin(annotation)
    if isinstance(origin, type) and issubclass(origin, (list, Mapping)):
        each = _step(inner[-1], leaf)
        if each is None:
            return None
        return _for_items(each) if issubclass(origin, list) else _for_values(each)
    if len(inner) < len(get_args(annotation)):
        return _unless_none(_step(inner[0], leaf), leaf)
    return leaf


def _for_items(each: Taker) -> Taker:
    return lambda values: [each(value) for value in values]


def _for_values(each: Taker) -> Taker:
    return lambda values: {key: each(value) for key, value in values.items()}


def _unless_none(step: Taker | None, leaf: Taker | None) -> Taker | None:
    """A part that may be missing is a leaf then; a leaf that may be missing is one anyway."""
    if step is None:
        return leaf
    return lambda value: (leaf(value) if leaf else None) if value is None else step(value)
