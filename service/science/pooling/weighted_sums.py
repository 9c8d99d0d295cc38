"""The sums over households that every inverse-variance estimate is made of, for many values of tau2 at once."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

Kept = Literal["all", "without_each", "up_to_each"]
"""Which households a row of sums is over: all of them; all but that row's; those up to and with that row's."""

_CELLS_AT_ONCE = 300_000
_PIECE = 8_192
"""Fits a core's cache, and is short enough for the linear algebra not to wake its threads, which costs more."""


_MOST_LOST = 0.999
"""A sum of squares that loses more than this to the mean has lost three digits, and is taken about the mean."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Weighted means and what spreads about them at each tau2, w = 1/(v + tau2) and r = y less the weighted mean.

    `w1`, `w2` are the sums of w, w^2; `q` that of w r^2; `count` how many households a row is over.
    """

    count: FloatArray
    w1: FloatArray
    w2: FloatArray
    mean: FloatArray
    q: FloatArray


@dataclass(frozen=True, slots=True)
class Sums(Spread):
    """The same, and the sums that slopes in tau2 are made of.

    `w3` is the sum of w^3; `q2`, `q3` those of w^2 r^2, w^3 r^2; `cross` that of w^2 r.
    """

    q2: FloatArray
    w3: FloatArray
    q3: FloatArray
    cross: FloatArray


@dataclass(slots=True)
class Totals:
    """Running sums over one set of households, from which one pass tells the spread."""

    count: int = 0
    w1: float = 0.0
    w2: float = 0.0
    wy: float = 0.0
    wyy: float = 0.0

    def add(self, w: FloatArray, y: FloatArray) -> None:
        """Add households; their weights are overwritten."""
        self.count += len(y)
        self.w1 += float(np.add.reduce(w))
        self.w2 += float(w @ w)
        self.wy += float(w @ y)
        np.multiply(w, y, out=w)
        self.wyy += float(w @ y)

    @property
    def mean(self) -> float:
        """The weighted mean."""
        return self.wy / self.w1

    def spread(self, centre: float = 0.0) -> Spread | None:
        """Tell the spread of the values less a centre, or None where the mean dwarfs it and residuals are needed."""
        mean = self.mean
        of_mean = self.wy * mean
        if of_mean > _MOST_LOST * self.wyy:
            return None
        return Spread(*np.array((self.count, self.w1, self.w2, mean - centre, self.wyy - of_mean)).reshape(-1, 1))


@dataclass(frozen=True, slots=True)
class Problems:
    """Households' values and variances, and for each problem which of the households it is about.

    `row` is the household that a problem leaves out, or ends with.
    """

    y: FloatArray
    v: FloatArray
    kept: Kept
    row: npt.NDArray[np.int64]

    def take(self, which: npt.NDArray[np.int64]) -> "Problems":
        """Choose some of the problems, in any order and as often as wanted."""
        return Problems(self.y, self.v, self.kept, self.row[which])

    @property
    def is_one(self) -> bool:
        """Whether there is one problem only, of all households."""
        return self.kept == "all" and len(self.row) == 1

    @property
    def count(self) -> FloatArray:
        """How many households each problem has."""
        k = float(len(self.y))
        if self.kept == "without_each":
            return np.full(len(self.row), k - 1.0)
        if self.kept == "up_to_each":
            return np.asarray(self.row + 1.0, dtype=np.float64)
        return np.full(len(self.row), k)


def whole(y: FloatArray, v: FloatArray) -> Problems:
    """Make the one problem of all households."""
    return Problems(y, v, "all", np.zeros(1, dtype=np.int64))


def spread(problems: Problems, tau2: FloatArray) -> Spread:
    """Compute the mean and the spread of each problem at its own tau2.

    Parameters
    ----------
    problems : Problems
        Scaled and centred values.
    tau2 : array
        One for each problem.

    """
    if not problems.is_one:
        return sums(problems, tau2, bends=False)
    totals = Totals()
    for piece, w in _weights_of_all(problems.v, float(tau2[0])):
        totals.add(w, problems.y[piece])
    # With y centred at its mean under weights u = 1/v, Cauchy-Schwarz has mean^2 <= q sum(u^2/w) / sum(u)^2; as
    # u^2/w = u + tau2 u^2 and tau2 w1 <= k, w1 mean^2 is at most (k + 1) q: no more digits are lost than k has.
    return totals.spread() or sums(problems, tau2, bends=False)


def sums(problems: Problems, tau2: FloatArray, *, bends: bool = True) -> Sums:
    """Compute the sums of each problem at its own tau2.

    Parameters
    ----------
    problems : Problems
        Scaled and centred values.
    tau2 : array
        One for each problem.
    bends : bool
        Whether `w3`, `q3` and `cross` are wanted; they are 0 where not.

    Returns
    -------
    Sums
        Residuals are taken before squares, so that variances may differ by many powers of ten. Memory is O(k): the
        households by problems are gone through in blocks.

    """
    count = len(problems.row)
    if problems.is_one:
        out = np.array(_sums_of_one(problems.y, problems.v, float(tau2[0]), bends=bends)).reshape(-1, 1)
    else:
        out = np.empty((8, count))
        step = max(1, _CELLS_AT_ONCE // max(len(problems.y), 1))
        for begin in range(0, count, step):
            block = slice(begin, begin + step)
            out[:, block] = _sums_of_block(_weights(problems, block, tau2[block]), problems.y, bends=bends)
    return Sums(problems.count, *out)


def pieces(count: int) -> list[slice]:
    """Part so many households into pieces that stay in a core's cache while more than one thing is done with them."""
    return [slice(begin, begin + _PIECE) for begin in range(0, count, _PIECE)]


@dataclass(frozen=True, slots=True)
class _InPieces:
    """Weights, computed anew each time they are gone through, in the same small piece of memory."""

    v: FloatArray
    tau2: float

    def __iter__(self) -> Iterator[tuple[slice, FloatArray]]:
        scratch = np.empty(_PIECE)
        for piece in pieces(len(self.v)):
            part = self.v[piece]
            w = scratch[: len(part)]
            np.add(part, self.tau2, out=w)
            np.divide(1.0, w, out=w)
            yield piece, w


def _weights_of_all(v: FloatArray, tau2: float) -> Iterable[tuple[slice, FloatArray]]:
    return _InPieces(v, tau2) if len(v) > _PIECE else [(slice(None), 1.0 / (v + tau2))]


def _mean(y: FloatArray, weights: Iterable[tuple[slice, FloatArray]]) -> tuple[float, float]:
    """Give the sum of the weights, and the weighted mean."""
    w1 = wy = 0.0
    for piece, w in weights:
        w1 += float(np.add.reduce(w))
        wy += float(w @ y[piece])
    return w1, wy / w1


def _sums_of_one(y: FloatArray, v: FloatArray, tau2: float, *, bends: bool) -> tuple[float, ...]:
    """Give the sums of all households at one tau2."""
    weights = _weights_of_all(v, tau2)
    w1, mean = _mean(y, weights)
    w2 = w3 = q = q2 = q3 = cross = 0.0
    for piece, w in weights:
        r = y[piece] - mean
        wr = w * r
        w2 += float(w @ w)
        q += float(wr @ r)
        q2 += float(wr @ wr)
        if bends:
            cross += float(w @ wr)
            np.multiply(wr, wr, out=r)
            q3 += float(w @ r)
            np.multiply(w, w, out=r)
            w3 += float(w @ r)
    return w1, w2, mean, q, q2, w3, q3, cross


def _sums_of_block(w: FloatArray, y: FloatArray, *, bends: bool) -> tuple[FloatArray, ...]:
    w1 = w.sum(axis=1)
    mean = (w @ y) / w1
    r = y - mean[:, None]
    wr = w * r
    q, q2, w2 = (np.einsum("ij,ij->i", a, b) for a, b in ((wr, r), (wr, wr), (w, w)))
    if not bends:
        none = np.zeros_like(q)
        return w1, w2, mean, q, q2, none, none, none
    cross = np.einsum("ij,ij->i", w, wr)
    np.multiply(wr, wr, out=r)
    q3 = np.einsum("ij,ij->i", w, r)
    np.multiply(w, w, out=r)
    return w1, w2, mean, q, q2, np.einsum("ij,ij->i", w, r), q3, cross


def log_determinant(problems: Problems, tau2: FloatArray) -> FloatArray:
    """Compute the sum of log(v + tau2) of each problem at its own tau2."""
    out = np.empty(len(problems.row))
    step = max(1, _CELLS_AT_ONCE // max(len(problems.y), 1))
    for begin in range(0, len(problems.row), step):
        block = slice(begin, begin + step)
        w = _weights(problems, block, tau2[block])
        out[block] = -np.sum(np.log(np.where(w > 0.0, w, 1.0)), axis=1)
    return out


def weights_of(problems: Problems, place: int, tau2: float) -> FloatArray:
    """Give the weights of one problem's households, 0 for those that it leaves out."""
    return np.asarray(_weights(problems, slice(place, place + 1), np.array([tau2]))[0])


def _weights(problems: Problems, block: slice, tau2: FloatArray) -> FloatArray:
    w = 1.0 / (problems.v + tau2[:, None])
    row = problems.row[block]
    if problems.kept == "without_each":
        w[np.arange(len(row)), row] = 0.0
    elif problems.kept == "up_to_each":
        w[np.arange(len(problems.v)) > row[:, None]] = 0.0
    return np.asarray(w)
