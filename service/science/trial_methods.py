from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from service.science.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Method:
    """One way of presenting glasses blind.

    `even` methods ask which glasses differ, so that the sign of d' is lost; the others name the direction beforehand.
    """

    name: str
    title: str
    guess_probability: float
    glasses_per_presentation: int
    glasses_chosen: int
    even: bool


METHODS: Mapping[str, Method] = MappingProxyType(
    {
        method.name: method
        for method in (
            Method("triangle", "triangle", 1 / 3, 3, 1, even=True),
            Method("duo_trio", "duo-trio", 1 / 2, 3, 1, even=True),
            Method("two_afc", "2-AFC", 1 / 2, 2, 1, even=False),
            Method("three_afc", "3-AFC", 1 / 3, 3, 1, even=False),
            Method("tetrad", "tetrad", 1 / 3, 4, 2, even=True),
        )
    }
)


def find_method(method: str) -> Method:
    """Look a method up by its name, or raise `InputError` naming those there are."""
    try:
        return METHODS[method]
    except (KeyError, TypeError):
        raise InputError("method", f"is not a known method; use one of {', '.join(METHODS)}.") from None
