"""Turn what a caller gave into a float or a float array, or say what is wrong with it."""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.errors import InputError

FloatArray = npt.NDArray[np.float64]
Numeric = float | FloatArray
"""One number, or one number for each row."""


# A tuple, because a union is made anew at each check.
_NUMBER: Final = (float, int)

Condition = bool | np.bool_ | npt.NDArray[np.bool_]
"""Whether something holds, once or for each row."""


def number(field: str, value: Numeric | None, low: float, high: float, what: str) -> Numeric:
    """Return `value` as a Python float or a float64 array, finite and in [low, high].

    Parameters
    ----------
    field : str
        The argument's name, for the error.
    value : float or ndarray
        One number, or one for each row.
    low, high : float
        Closed range; infinities leave a side open.
    what : str
        What the range is for; it ends the error's sentence.

    Raises
    ------
    InputError
        Where a value isn't a number, isn't finite or is out of range.

    """
    if isinstance(value, _NUMBER):
        if low <= value <= high and value - value == 0.0:
            return float(value)
        raise _out_of_range(field, low, high, what, None)
    array = np.asarray(value)
    if array.dtype.kind not in "iuf":
        raise InputError(field, "must be a number, or a list of numbers.")
    array = array.astype(np.float64, copy=False)
    if array.ndim == 0:
        return number(field, float(array), low, high, what)
    if array.ndim > 1:
        raise InputError(field, "must be a single number or a flat list of them.")
    wrong = ~((array >= low) & (array <= high) & np.isfinite(array))
    if wrong.any():
        raise _out_of_range(field, low, high, what, int(wrong.argmax()))
    return array


def _out_of_range(field: str, low: float, high: float, what: str, index: int | None) -> InputError:
    if low == -np.inf and high == np.inf:
        return InputError(field, f"must be a finite number: {what}.", index)
    least, most = _written(low), _written(high)
    if high == np.inf:
        return InputError(field, f"must be a finite number of at least {least}: {what}.", index)
    return InputError(field, f"must be between {least} and {most}: {what}.", index)


def _written(limit: float) -> str:
    """Write a limit as people do, without an exponent."""
    if abs(limit) >= 1e4:
        return f"{limit:,.0f}".replace(",", " ")
    return f"{limit:.6g}" if abs(limit) >= 1e-4 or not limit else f"{limit:.9f}".rstrip("0")


def refuse_where(
    field: str, condition: Condition, detail: str, figures: Callable[[], Mapping[str, Numeric]] | None = None
) -> None:
    """Raise InputError(field, detail) where `condition` holds, with the first row's index for arrays.

    Parameters
    ----------
    field, detail : str
        For the error.
    condition : bool or ndarray
        Where to refuse.
    figures : callable, optional
        What to fill into `detail`, whose names stand in braces there; an array gives its figure of the row refused.

    """
    index = None
    if isinstance(condition, np.ndarray) and condition.ndim:
        if not condition.any():
            return
        index = int(condition.argmax())
    elif not condition:
        return
    filled = {} if figures is None else {name: _at(value, index) for name, value in figures().items()}
    raise InputError(field, detail.format(**filled), index)


def _at(value: Numeric, index: int | None) -> float:
    return float(value[index]) if isinstance(value, np.ndarray) and index is not None else float(value)


def only_one(given: Mapping[str, object]) -> str:
    """Return the name of the one argument that isn't None; raise InputError unless there is exactly one."""
    present = [name for name, value in given.items() if value is not None]
    if len(present) == 1:
        return present[0]
    names = ", ".join(given)
    found = f"{', '.join(present)} were given" if present else "none was given"
    raise InputError((present or list(given))[0], f"give exactly one of {names}; {found}.")


def same_length(arguments: Mapping[str, Numeric | None]) -> None:
    """Raise InputError unless all arrays among `arguments` have one length."""
    lengths = {name: len(value) for name, value in arguments.items() if isinstance(value, np.ndarray)}
    if len(set(lengths.values())) > 1:
        name = min(lengths, key=lambda each: lengths[each])
        raise InputError(name, f"lists must be of equal length: {lengths}.")
