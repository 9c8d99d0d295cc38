"""Invert smooth monotone functions: Newton kept inside a bracket that bisection shrinks."""

from collections.abc import Callable, Sequence

import numpy as np

from service.science.checks import FloatArray, Numeric

_ROUNDS = 80
"""Bisection alone reaches the last bit of a double in fewer than 64 halvings of a bracket of order one."""

_NEWTON_ROUNDS = 6
"""Good first guesses settle in three; what hasn't settled by then is bracketed."""

_CLOSE = 1e-7
"""A Newton step this small, as a share of the bracket, leaves an error of its square: below a double's resolution."""

_TABLE = 2048

_BLOCK = 8192
"""Rows worked on at a time, so that the intermediate arrays stay in a core's cache."""

Polynomial = Sequence[Numeric]
"""Coefficients, lowest power first; each one number, or one for each row."""


def polynomial(coefficients: Polynomial, x: Numeric) -> Numeric:
    """Evaluate a polynomial by Horner's rule."""
    value: Numeric = coefficients[-1]
    for coefficient in reversed(coefficients[:-1]):
        value = value * x + coefficient
    return value


def polynomial_with_slope(coefficients: Polynomial, x: Numeric) -> tuple[Numeric, Numeric]:
    """Evaluate a polynomial and its derivative by Horner's rule."""
    slope: Numeric = coefficients[-1]
    value: Numeric = slope * x + coefficients[-2]
    if isinstance(x, float):
        for coefficient in coefficients[-3::-1]:
            slope = slope * x + value
            value = value * x + coefficient
        return value, slope
    for coefficient in coefficients[-3::-1]:
        slope = slope * x
        slope += value
        value = value * x
        value += coefficient
    return value, slope


def invert_polynomial(coefficients: Polynomial, target: Numeric, low: float, high: float, start: Numeric) -> Numeric:
    """Solve polynomial(x) = target for x in [low, high], where the polynomial is monotone; see `invert`."""
    return invert(lambda x: polynomial_with_slope(coefficients, x), target, low, high, start)


def even_table(x: FloatArray, y: Numeric) -> FloatArray:
    """Tabulate x at evenly spaced y from 0 to 1, for `look_up`; y must rise from 0 to 1."""
    return np.interp(np.linspace(0.0, 1.0, _TABLE + 1), y, x)


def look_up(table: FloatArray, y: Numeric) -> Numeric:
    """Interpolate in an `even_table` without searching it: for first guesses."""
    if isinstance(y, float):
        if not 0.0 < y < 1.0:
            return table.item(0 if y <= 0.0 else _TABLE)
        at = y * _TABLE
        step = int(at)
        low: float = table.item(step)
        return low + (table.item(step + 1) - low) * (at - step)
    position = np.clip(y, 0.0, 1.0) * _TABLE
    place = np.minimum(position, _TABLE - 1).astype(np.intp)
    below = table[place]
    return below + (table[place + 1] - below) * (position - place)


def in_blocks(function: Callable[..., Numeric], *arguments: Numeric) -> Numeric:
    """Apply a row-by-row function to long arrays a block at a time; numbers are passed through."""
    length = max(np.size(each) for each in arguments)
    if length <= _BLOCK:
        return function(*arguments)
    result = np.empty(length)
    for begin in range(0, length, _BLOCK):
        block = slice(begin, begin + _BLOCK)
        result[block] = function(*(each[block] if isinstance(each, np.ndarray) else each for each in arguments))
    return result


def invert(
    function: Callable[[Numeric], tuple[Numeric, Numeric]],
    target: Numeric,
    low: float,
    high: float,
    start: Numeric,
) -> Numeric:
    """Solve function(x) = target for x in [low, high].

    Parameters
    ----------
    function : callable
        x to (value, slope); monotone on the bracket.
    target : float or ndarray
        Values to reach; what lies beyond the bracket's ends gives the nearer end.
    low, high : float
        The bracket.
    start : float or ndarray
        A first guess. Where either it or the target is an array, so is the result; so must one be where the function's
        own coefficients are.

    """
    if isinstance(target, float) and isinstance(start, float):
        return _invert_one(function, target, low, high, start)
    targets, starts = np.broadcast_arrays(target, start)
    return _invert_rows(function, targets, starts, low, high)


def _invert_one(
    function: Callable[[Numeric], tuple[Numeric, Numeric]], target: float, low: float, high: float, start: float
) -> float:
    close_enough = _CLOSE * (high - low)
    x = min(max(start, low), high)
    for _ in range(_NEWTON_ROUNDS):
        value, slope = function(x)
        if not slope:
            break
        moved = x - float((value - target) / slope)
        if moved < low:
            moved = low
        elif moved > high:
            moved = high
        if -close_enough <= moved - x <= close_enough:
            return moved
        x = moved
    return float(_bracketed_rows(function, np.array([target]), np.array([start]), (low, high))[0])


def _invert_rows(
    function: Callable[[Numeric], tuple[Numeric, Numeric]],
    target: FloatArray,
    start: FloatArray,
    low: float,
    high: float,
) -> FloatArray:
    close_enough = _CLOSE * (high - low)
    begin: FloatArray = np.clip(start, low, high)
    x = begin
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for _ in range(_NEWTON_ROUNDS):
            value, slope = function(x)
            moved = np.clip(x - (value - target) / slope, low, high)
            settled = np.abs(moved - x) <= close_enough
            x = moved
            if settled.all():
                return x
    return _bracketed_rows(function, target, begin, (low, high))


def _bracketed_rows(
    function: Callable[[Numeric], tuple[Numeric, Numeric]],
    target: FloatArray,
    x: FloatArray,
    bracket: tuple[float, float],
) -> FloatArray:
    close_enough = _CLOSE * (bracket[1] - bracket[0])
    lower, upper = (np.full(x.shape, end) for end in bracket)
    rising = function(upper)[0] > function(lower)[0]
    for _ in range(_ROUNDS):
        value, slope = function(x)
        miss = value - target
        above = (miss > 0.0) == rising
        np.copyto(upper, x, where=above)
        np.copyto(lower, x, where=~above)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            moved = x - miss / slope
        small = np.abs(moved - x) <= close_enough
        if small.all():
            return np.clip(moved, lower, upper)
        inside = (moved >= lower) & (moved <= upper)
        x = np.where(inside | small, np.clip(moved, lower, upper), 0.5 * (lower + upper))
    return x
