"""Numbers and columns into the calculators of blind trials, as float64 arrays, and out again as they came."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from service.science.checks import number
from service.science.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from service.science.checks import FloatArray, Numeric

    Count = int | FloatArray

MOST_PRESENTED = 1_000_000


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
    n = whole_numbers("presented", presented, 1, MOST_PRESENTED, "presentations served and answered")
    x = whole_numbers("correct", correct, 0, MOST_PRESENTED, "presentations answered rightly")
    n, x = together(presented=n, correct=x)
    agree = np.asarray(x <= n)
    if not agree.all():
        raise InputError(
            "correct", "must not exceed the number presented; count each presentation once.", first_false(agree)
        )
    return n, x


def confidence_level(confidence: Numeric) -> FloatArray:
    """Return confidence levels, checked."""
    return np.asarray(number("confidence", confidence, 0.5, 0.9999, "coverage of the interval; 0.95 is customary"))


def together(**columns: FloatArray) -> tuple[FloatArray, ...]:
    """Give all columns one length; single numbers repeat, and stay single where all are."""
    longest = max(columns, key=lambda name: columns[name].size * columns[name].ndim)
    shape = columns[longest].shape
    if not shape:
        return tuple(columns.values())
    for name, column in columns.items():
        if column.ndim and column.shape != shape:
            raise InputError(name, f"must be one number or as many as `{longest}` has, which is {shape[0]}.")
    return tuple(np.ascontiguousarray(np.broadcast_to(column, shape)) for column in columns.values())


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
