"""Thurstonian psychometric functions of the five discrimination methods: unit-variance normal percepts, no bias.

Each is written as a closed form in the normal distribution and Owen's T: the triangle and tetrad integrals are
orthant probabilities of two correlated normals, and Owen (1956) gives those. The proportion *wrong* is the
primitive, because it keeps its digits where everyone can tell.
"""

from __future__ import annotations

import math
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Protocol, overload

import numpy as np
from scipy import special

from service.science.errors import InputError
from service.science.trial_methods import METHODS, find_method

if TYPE_CHECKING:
    from collections.abc import Mapping

    from service.science.checks import FloatArray, Numeric

_SQRT2 = math.sqrt(2.0)
_SQRT3 = math.sqrt(3.0)
_SQRT6 = math.sqrt(6.0)
_ROOT_OF_TWO_PI = math.sqrt(2.0 * math.pi)

# Past this d' every function is 1 to double precision, so that no proportion below 1 maps beyond it.
_LARGEST_D_PRIME = 24.0
_TABLE_STEP = 0.0025

_NO_PROPORTION = "must be from 0 to 1; divide the correct answers by those given."


class _Psychometric(Protocol):
    def wrong(self, d_prime: Numeric) -> Numeric: ...
    def slope(self, d_prime: Numeric) -> Numeric: ...


def _density(z: Numeric) -> Numeric:
    density: Numeric = np.exp(-0.5 * z * z) / _ROOT_OF_TWO_PI
    return density


def _above_half(z: Numeric) -> Numeric:
    """Give the normal distribution function less one half, to full precision near zero."""
    above: Numeric = 0.5 * special.erf(z / _SQRT2)
    return above


class _OwenPsychometric:
    """p = 1 - c T(d'/s, a): the probability of a double wedge, for the triangle and the tetrad."""

    def __init__(self, count: float, scale: float, angle: float) -> None:
        self._count, self._scale, self._angle = count, scale, angle

    def wrong(self, d_prime: Numeric) -> Numeric:
        wrong: Numeric = self._count * special.owens_t(d_prime / self._scale, self._angle)
        return wrong

    def slope(self, d_prime: Numeric) -> Numeric:
        h = d_prime / self._scale
        return self._count / self._scale * _density(h) * _above_half(self._angle * h)


class _DuoTrio:
    def wrong(self, d_prime: Numeric) -> Numeric:
        x, y = d_prime / _SQRT2, d_prime / _SQRT6
        wrong: Numeric = special.ndtr(x) * special.ndtr(-y) + special.ndtr(y) * special.ndtr(-x)
        return wrong

    def slope(self, d_prime: Numeric) -> Numeric:
        x, y = d_prime / _SQRT2, d_prime / _SQRT6
        return 2.0 * (_density(x) / _SQRT2 * _above_half(y) + _density(y) / _SQRT6 * _above_half(x))


class _TwoAfc:
    def wrong(self, d_prime: Numeric) -> Numeric:
        wrong: Numeric = special.ndtr(-d_prime / _SQRT2)
        return wrong

    def slope(self, d_prime: Numeric) -> Numeric:
        return _density(d_prime / _SQRT2) / _SQRT2


class _ThreeAfc:
    def wrong(self, d_prime: Numeric) -> Numeric:
        h = d_prime / _SQRT2
        wrong: Numeric = special.ndtr(-h) + 2.0 * special.owens_t(h, 1.0 / _SQRT3)
        return wrong

    def slope(self, d_prime: Numeric) -> Numeric:
        h = d_prime / _SQRT2
        slope: Numeric = _SQRT2 * _density(h) * special.ndtr(h / _SQRT3)
        return slope


_FUNCTIONS: Mapping[str, _Psychometric] = MappingProxyType(
    {
        "triangle": _OwenPsychometric(4.0, _SQRT6, _SQRT3),
        "duo_trio": _DuoTrio(),
        "two_afc": _TwoAfc(),
        "three_afc": _ThreeAfc(),
        "tetrad": _OwenPsychometric(8.0, _SQRT2, 1.0 / _SQRT3),
    }
)


@overload
def proportion_correct(method: str, d_prime: float) -> float: ...
@overload
def proportion_correct(method: str, d_prime: FloatArray) -> FloatArray: ...
def proportion_correct(method: str, d_prime: float | FloatArray) -> float | FloatArray:
    """Compute the proportion of correct answers that an unbiased taster gives at a sensory difference d'.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    d_prime : float or array
        Distance between the two percepts in standard deviations, any shape. Its sign is lost in triangle, duo-trio
        and tetrad; in 2-AFC and 3-AFC a negative one means the named direction is wrong. May be infinite.

    Raises
    ------
    InputError
        For an unknown method or a d' that is not a number.

    References
    ----------
    Ura 1960; David & Trivedi 1962; Bradley 1963; Frijters, Kooistra & Vereijken 1980; Ennis 1993; Ennis, Ennis, Palen &
    O'Mahony 1998. Closed forms: Bi & O'Mahony 2013, J. Sens. Stud. (doi 10.1111/joss.12004); Owen 1956.

    """
    return 1.0 - proportion_wrong(method, d_prime)


@overload
def proportion_wrong(method: str, d_prime: float) -> float: ...
@overload
def proportion_wrong(method: str, d_prime: FloatArray) -> FloatArray: ...
def proportion_wrong(method: str, d_prime: float | FloatArray) -> float | FloatArray:
    """Compute one less the proportion correct, keeping its digits where that is close to one.

    Arguments and errors are those of `proportion_correct`.
    """
    find_method(method)
    value = _checked_d_prime(d_prime)
    wrong = _FUNCTIONS[method].wrong(value)
    return wrong if isinstance(d_prime, np.ndarray) else float(wrong)


@overload
def proportion_correct_slope(method: str, d_prime: float) -> float: ...
@overload
def proportion_correct_slope(method: str, d_prime: FloatArray) -> FloatArray: ...
def proportion_correct_slope(method: str, d_prime: float | FloatArray) -> float | FloatArray:
    """Compute the derivative of the proportion correct by d'.

    Arguments and errors are those of `proportion_correct`. It is zero at d' = 0 for triangle, duo-trio and tetrad.
    """
    find_method(method)
    slope = _FUNCTIONS[method].slope(_checked_d_prime(d_prime))
    return slope if isinstance(d_prime, np.ndarray) else float(slope)


@overload
def d_prime(method: str, proportion_correct: float) -> float: ...
@overload
def d_prime(method: str, proportion_correct: FloatArray) -> FloatArray: ...
def d_prime(method: str, proportion_correct: float | FloatArray) -> float | FloatArray:
    """Compute the sensory difference d' at which an unbiased taster gives a proportion of correct answers.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    proportion_correct : float or array
        From 0 to 1, any shape. At or below the guess probability d' is 0; at 1 it is infinite.

    Raises
    ------
    InputError
        For an unknown method or a proportion outside 0 to 1.

    References
    ----------
    The inverse of `proportion_correct`: one Newton step from a table whose error a test bounds.

    """
    guess = find_method(method).guess_probability
    if not isinstance(proportion_correct, np.ndarray):
        return _d_prime_of_one(method, guess, float(proportion_correct))
    correct = np.asarray(proportion_correct, dtype=np.float64)
    if not ((correct >= 0.0) & (correct <= 1.0)).all():
        raise InputError("proportion_correct", _NO_PROPORTION, _first_bad(correct))
    # The ends are answered below; a proportion in the middle keeps their arithmetic finite.
    inside = np.where((correct > guess) & (correct < 1.0), correct, 0.5 * (1.0 + guess))
    if method == "two_afc":
        inverse = _SQRT2 * special.ndtri(inside)
    else:
        grid, ordinate = _inverse_table(method)
        start = np.interp(_ordinate(method, inside - guess, 1.0 - inside), ordinate, grid)
        inverse = np.maximum(_refined(method, start, 1.0 - inside), 0.0)
    return np.where(correct <= guess, 0.0, np.where(correct >= 1.0, math.inf, inverse))


def _d_prime_of_one(method: str, guess: float, correct: float) -> float:
    if not 0.0 <= correct <= 1.0:
        raise InputError("proportion_correct", _NO_PROPORTION)
    if correct <= guess:
        return 0.0
    if correct >= 1.0:
        return math.inf
    if method == "two_afc":
        return _SQRT2 * float(special.ndtri(correct))
    grid, ordinate = _inverse_table(method)
    start = float(np.interp(_ordinate_of_one(method, correct - guess, 1.0 - correct), ordinate, grid))
    return max(float(_refined(method, start, 1.0 - correct)), 0.0)


def _refined(method: str, start: Numeric, wrong: Numeric) -> Numeric:
    """Take one Newton step towards the d' of a proportion wrong."""
    function = _FUNCTIONS[method]
    return start + (function.wrong(start) - wrong) / function.slope(start)


def _ordinate(method: str, above_guess: FloatArray, wrong: FloatArray) -> FloatArray:
    """Map a proportion onto a scale in which d' is smooth from the guess rate to certainty.

    The logarithm of the undiscriminating share falls as d' squared at the far end; at the near end as d' squared for
    the even methods, whose root is therefore taken, and as d' for the others.
    """
    spread = 1.0 - METHODS[method].guess_probability
    near = -np.log1p(-np.minimum(above_guess / spread, 0.5))
    scale = np.where(above_guess < 0.5 * spread, near, -np.log(wrong / spread))
    return np.asarray(np.sqrt(scale) if METHODS[method].even else scale)


def _ordinate_of_one(method: str, above_guess: float, wrong: float) -> float:
    spread = 1.0 - METHODS[method].guess_probability
    # Numpy's logarithms, which can differ from those of `math` in the last digit: columns have the same.
    scale = -float(np.log1p(-above_guess / spread) if above_guess < 0.5 * spread else np.log(wrong / spread))
    return math.sqrt(scale) if METHODS[method].even else scale


@cache
def _inverse_table(method: str) -> tuple[FloatArray, FloatArray]:
    grid = np.arange(0.0, _LARGEST_D_PRIME, _TABLE_STEP)
    guess = METHODS[method].guess_probability
    wrong = np.asarray(_FUNCTIONS[method].wrong(grid))
    ordinate = _ordinate(method, (1.0 - guess) - wrong, wrong)
    ordinate[0] = 0.0
    return grid, ordinate


def _checked_d_prime(d_prime: Numeric) -> Numeric:
    value: Numeric = np.asarray(d_prime, np.float64) if isinstance(d_prime, np.ndarray) else float(d_prime)
    if np.isnan(value).any():
        raise InputError("d_prime", "must be a number, or infinite.", _first_bad(np.where(np.isnan(value), -1.0, 0.0)))
    return value


def _first_bad(values: FloatArray) -> int | None:
    """Find the first value outside 0 to 1 in an array; None for a single value, which needs no index."""
    return int(np.argmin((values >= 0.0) & (values <= 1.0))) if values.ndim else None
