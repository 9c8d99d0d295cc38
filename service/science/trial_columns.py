"""Numbers and columns into the calculators of blind trials, as float64 arrays, and out again as they came."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from service.science.checks import number
from service.science.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from service.science.checks import FloatArray, Numeric

    AnyArray = NDArray[Any]
    Count = int | FloatArray

MOST_PRESENTED = 1_000_000

_PRESENTED = "presentations served and answered"
_CORRECT = "presentations answered rightly"
_TOO_MANY = "must not exceed the number presented; count each presentation once."
_COVERAGE = "coverage of the interval; 0.95 is customary"


def whole_numbers(field: str, value: Numeric, lowest: int, highest: int, what: str) -> FloatArray:
    """Return whole numbers from `lowest` to `highest`, or raise `InputError` at the first that is not one."""
    checked = number(field, value, lowest, highest, what)
    if isinstance(checked, float):
        if not checked.is_integer():
            raise InputError(field, f"must be a whole number: {what}.")
        return np.asarray(checked)
    whole = np.floor(checked) == checked
    if not whole.all():
        raise InputError(field, f"must be a whole number: {what}.", first_false(whole))
    return checked


def counts(presented: Numeric, correct: Numeric) -> tuple[FloatArray, FloatArray]:
    """Return presentations and correct answers, each checked and the two against each other."""
    n = whole_numbers("presented", presented, 1, MOST_PRESENTED, _PRESENTED)
    x = whole_numbers("correct", correct, 0, MOST_PRESENTED, _CORRECT)
    n, x = together(presented=n, correct=x)
    agree = np.asarray(x <= n)
    if not agree.all():
        raise InputError("correct", _TOO_MANY, first_false(agree))
    return n, x


def counts_of_one(presented: int, correct: int) -> tuple[float, float]:
    """Return the presentations and correct answers of one trial, checked as `counts` checks them."""
    n = float(number("presented", presented, 1, MOST_PRESENTED, _PRESENTED))
    x = float(number("correct", correct, 0, MOST_PRESENTED, _CORRECT))
    if x > n:
        raise InputError("correct", _TOO_MANY)
    return n, x


def confidence_level(confidence: Numeric) -> FloatArray:
    """Return confidence levels, checked."""
    return np.asarray(number("confidence", confidence, 0.5, 0.9999, _COVERAGE))


def confidence_of_one(confidence: float) -> float:
    """Return one confidence level, checked."""
    return float(number("confidence", confidence, 0.5, 0.9999, _COVERAGE))


def together(**columns: FloatArray) -> tuple[FloatArray, ...]:
    """Give all columns one length; single numbers repeat, and stay single where all are."""
    if not any(column.ndim for column in columns.values()):
        return tuple(columns.values())
    longest = max(columns, key=lambda name: columns[name].size * columns[name].ndim)
    shape = columns[longest].shape
    for name, column in columns.items():
        if column.ndim and column.shape != shape:
            raise InputError(name, f"must be one number or as many as `{longest}` has, which is {shape[0]}.")
    return tuple(np.ascontiguousarray(np.broadcast_to(column, shape)) for column in columns.values())


def distinct_rows(*columns: FloatArray) -> tuple[tuple[FloatArray, ...], Callable[[AnyArray], AnyArray]]:
    """Give each different row once, and what gives every row its own value again.

    Trials are short: a long column of them holds the same few counts over and over. Where most rows differ, and where
    there are single numbers instead of columns, they come back as they are.
    """
    if not columns[0].ndim:
        return columns, _as_it_is
    order = np.lexsort(columns)
    ordered = [column[order] for column in columns]
    new = np.ones(len(order), dtype=np.bool_)
    new[1:] = np.logical_or.reduce([column[1:] != column[:-1] for column in ordered])
    if 2 * np.count_nonzero(new) > len(new):
        return columns, _as_it_is
    place = np.empty_like(order)
    place[order] = np.cumsum(new) - 1
    return tuple(column[new] for column in ordered), lambda value: value[place]


def _as_it_is(value: AnyArray) -> AnyArray:
    return value


def first_false(good: NDArray[np.bool_]) -> int | None:
    """Find the first element that failed; None for a single value, which needs no index."""
    return int(np.argmin(good)) if good.ndim else None


def as_given(value: Any) -> Any:  # noqa: ANN401  (a Python scalar from a 0-d array or numpy scalar, else the array)
    """Give a float, bool or text where the arguments were single, else the array."""
    return value if value.ndim else value.item()


def counts_as_given(value: FloatArray) -> Any:  # noqa: ANN401  (int or array, as the arguments were)
    """Give an int where the arguments were single, else an array of them."""
    return value.astype(np.int64) if value.ndim else int(value)


def optional_counts(count: FloatArray, there: NDArray[np.bool_]) -> int | NDArray[np.object_] | None:
    """Give whole numbers, with None where there is none; an array of them has dtype object."""
    if not count.ndim:
        return int(count) if there else None
    whole: NDArray[np.object_] = count.astype(np.int64).astype(object)
    whole[~there] = None
    return whole
