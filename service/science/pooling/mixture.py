"""The likelihood of counts whose households differ: a normal mixture, integrated on fixed nodes."""

import copy
import math
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.pooling.collapse import Distinct

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_CACHED_CELLS = 4_000_000
"""Likelihood tables above this many cells are rebuilt in blocks at each use, so that memory stays O(k)."""

_SMALLEST = 1e-300
NEARLY_ZERO_TAU = 1e-3
REACH = 9.0
_BANDS = (1.5, 6.0)
_ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Surface:
    """The log-likelihood and the headline mean at points (mu, tau), with their derivatives.

    `l` is the log-likelihood and `t` the mean over households; the letters after them are the derivatives taken,
    `m` for mu and `s` for tau (the spread).
    """

    l: FloatArray  # noqa: E741  (the letter the papers use)
    lm: FloatArray
    ls: FloatArray
    lmm: FloatArray
    lms: FloatArray
    lss: FloatArray
    t: FloatArray
    tm: FloatArray
    ts: FloatArray
    tmm: FloatArray
    tms: FloatArray
    tss: FloatArray


class Mixture(ABC):
    """Counts of distinct households, each with its own parameter drawn from N(mu, tau^2).

    The likelihood of every distinct count is tabulated once on fixed nodes; a point (mu, tau) then costs one product of
    that table with the normal weights, and its derivatives cost four more columns, because they fall on the weights
    alone (z is the standardised node; Fisher's identity).
    """

    taus: tuple[float, ...]
    """Where the spread is looked for, from 0 up to where it counts as unbounded."""

    closed_below = False
    """Whether the lower limit of mu is a place that the model reaches, rather than the end of a search."""

    def __init__(self, distinct: Distinct) -> None:
        self.distinct = distinct
        self.times = distinct.times.astype(np.float64)
        self.x = distinct.correct.astype(np.float64)
        self.n = distinct.presented.astype(np.float64)
        self.log_choose = (
            special.gammaln(self.n + 1.0) - special.gammaln(self.x + 1.0) - special.gammaln(self.n - self.x + 1.0)
        )
        self._table: FloatArray | None = None
        self._peak: FloatArray | None = None

    @property
    @abstractmethod
    def nodes(self) -> FloatArray:
        """The fixed nodes, ascending."""

    @property
    @abstractmethod
    def finest_tau(self) -> float:
        """The smallest tau that the fixed nodes resolve."""

    @abstractmethod
    def limits(self, tau: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the range of mu worth searching at each tau."""

    @abstractmethod
    def start(self, tau: FloatArray) -> FloatArray:
        """Guess at the best mu for each tau."""

    @abstractmethod
    def mu_near_mean(self, mean: float, tau: FloatArray) -> FloatArray:
        """Guess at the mu at each tau at which the headline mean is this; NaN where there is none."""

    @abstractmethod
    def log_kernel(self, nodes: FloatArray, rows: slice) -> FloatArray:
        """Compute the log-likelihood of distinct counts at nodes, binomial coefficients left out."""

    @abstractmethod
    def weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, slice]:
        """Weigh the fixed nodes: (points, orders, nodes), moment j holding weight times z^j; and which nodes."""

    @abstractmethod
    def local_weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, FloatArray]:
        """Give nodes made for points of small tau, (points, nodes), and their weights (points, orders, nodes)."""

    @abstractmethod
    def best_without_spread(self) -> float:
        """Give the best mu at tau = 0, which may lie at a limit."""

    @abstractmethod
    def limit_top(self) -> tuple[float, float] | None:
        """Give the best log-likelihood as tau goes to infinity and the mean there; None where it has no limit."""

    @abstractmethod
    def limit_end(self, level: float, side: int) -> float | None:
        """Give the end of the mean as tau goes to infinity; None where the limit stays below the level."""

    @abstractmethod
    def weigh_means(self, weights: FloatArray, nodes: slice | FloatArray) -> FloatArray:
        """Weigh what households at nodes, shared or (points, nodes), contribute to the mean: (orders, points)."""

    @abstractmethod
    def mean_parts(self, mu: FloatArray, tau: FloatArray, weighed: FloatArray) -> tuple[FloatArray, ...]:
        """Give the headline mean and its derivatives m, s, mm, ms, ss from `weigh_means` of five orders."""

    def mean(self, mu: FloatArray, tau: FloatArray) -> FloatArray:
        """Compute the headline mean alone at points (mu, tau)."""
        weighed = np.empty((5, len(mu)))
        for wide in self._bands(tau):
            weighed[:, wide] = self.weigh_means(*self.weights(mu[wide], tau[wide], 5))
        narrow = np.flatnonzero(tau < self.finest_tau)
        if len(narrow):
            nodes, local = self.local_weights(mu[narrow], np.maximum(tau[narrow], NEARLY_ZERO_TAU), 5)
            weighed[:, narrow] = self.weigh_means(local, nodes)
        return self.mean_parts(mu, tau, weighed)[0]

    def value(self, mu: FloatArray, tau: FloatArray) -> FloatArray:
        """Compute the log-likelihood alone at points (mu, tau)."""
        return np.asarray(self.evaluate(mu, tau, 1)[0])

    def surface(self, mu: FloatArray, tau: FloatArray) -> Surface:
        """Compute the log-likelihood and the headline mean with their derivatives at points (mu, tau)."""
        return Surface(*self.evaluate(mu, tau, 5))

    def evaluate(self, mu: FloatArray, tau: FloatArray, orders: int, times: FloatArray | None = None) -> FloatArray:
        """Compute the log-likelihood and its derivatives at points (mu, tau).

        Parameters
        ----------
        mu, tau : array
            The points.
        orders : int
            1 for the log-likelihood alone; 3 for it and its first and second derivative in mu; 5 for everything that a
            `Surface` has, in its order.
        times : array, optional
            How often each distinct count occurs at each point, (counts, points); as in the mixture where left out.

        Returns
        -------
        ndarray
            Rows as asked for, a column for each point.

        """
        value, sums, weighed = self._moments(mu, tau, orders, self.times if times is None else times)
        if orders == 1:
            return value[None, :]
        s = np.maximum(tau, NEARLY_ZERO_TAU)
        squared = s * s
        if orders == 3:
            return np.stack((value, sums[0] / s, sums[2] / squared))
        first, second = sums[:2] / s, sums[2:] / squared
        return np.concatenate((value[None, :], first, second, np.stack(self.mean_parts(mu, tau, weighed))))

    def without(self, rows: Sequence[int]) -> Self:
        """Give the same mixture with one occurrence of each of these distinct counts left out."""
        other = copy.copy(self)
        other.times = self.times.copy()
        for row in rows:
            other.times[row] -= 1.0
        other.summarise()
        return other

    @abstractmethod
    def summarise(self) -> None:
        """Recompute what hangs on how often each count occurs."""

    def _moments(
        self, mu: FloatArray, tau: FloatArray, orders: int, times: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        value = np.zeros(len(mu))
        sums, weighed = np.zeros((5, len(mu))), np.zeros((5, len(mu)))
        for wide in self._bands(tau):
            weights, chosen = self.weights(mu[wide], tau[wide], orders)
            flat = weights.reshape(-1, weights.shape[-1]).T
            for rows, table in self._blocks():
                moments = (table[:, chosen] @ flat).reshape(len(table), len(wide), orders)
                _add(value, sums, wide, _part(times, rows, wide), moments)
            value[wide] += self._constant(_part(times, slice(None), wide))
            if orders > 3:
                weighed[:, wide] = self.weigh_means(weights, chosen)
        narrow = np.flatnonzero(tau < self.finest_tau)
        if len(narrow):
            nodes, local = self.local_weights(mu[narrow], np.maximum(tau[narrow], NEARLY_ZERO_TAU), orders)
            for rows in self._rows(nodes.size):
                table = self.log_kernel(nodes.ravel(), rows).reshape(-1, *nodes.shape)
                highest = table.max(axis=2)
                table -= highest[..., None]
                np.exp(table, out=table)
                moments = np.matmul(table.transpose(1, 0, 2), local.transpose(0, 2, 1)).transpose(1, 0, 2)
                own = _part(times, rows, narrow)
                _add(value, sums, narrow, own, moments)
                value[narrow] += _over(own, highest + self.log_choose[rows, None])
            if orders > 3:
                weighed[:, narrow] = self.weigh_means(local, nodes)
            alike = narrow[tau[narrow] < NEARLY_ZERO_TAU]
            if len(alike):
                value[alike] = self.without_spread(mu[alike], _part(times, slice(None), alike))
        return value, sums, weighed

    def _bands(self, tau: FloatArray) -> Iterator[IntArray]:
        """Part points that the fixed nodes resolve by tau, so that few nodes are weighed in vain."""
        ends = np.searchsorted((self.finest_tau, *_BANDS), tau, side="right")
        lowest, highest = int(ends.min()), int(ends.max())
        if lowest == highest:
            if lowest:
                yield np.arange(len(tau))
            return
        for band in range(max(lowest, 1), highest + 1):
            points = np.flatnonzero(ends == band)
            if len(points):
                yield points

    def without_spread(self, mu: FloatArray, times: FloatArray | None = None) -> FloatArray:
        """Compute the log-likelihood where all households are alike; `times` as in `evaluate`."""
        nodes = np.abs(mu) if self.closed_below else mu
        total = np.zeros(len(mu))
        for rows in self._rows(len(nodes)):
            own = _part(self.times if times is None else times, rows, slice(None))
            total += _over(own, self.log_kernel(nodes, rows) + self.log_choose[rows, None])
        return total

    def _constant(self, times: FloatArray) -> FloatArray:
        if self._peak is None:
            peaks = [self.log_kernel(self.nodes, rows).max(axis=1) for rows in self._rows(len(self.nodes))]
            self._peak = np.concatenate(peaks)
        return np.asarray((self._peak + self.log_choose) @ times)

    def _rows(self, columns: int) -> Iterator[slice]:
        step = max(1, _CACHED_CELLS // columns)
        for begin in range(0, len(self.x), step):
            yield slice(begin, min(begin + step, len(self.x)))

    def _blocks(self) -> Iterator[tuple[slice, FloatArray]]:
        if self._table is not None:
            yield slice(0, len(self.x)), self._table
            return
        for rows in self._rows(len(self.nodes)):
            table = self.log_kernel(self.nodes, rows)
            peak = table.max(axis=1)
            table -= peak[:, None]
            np.exp(table, out=table)
            if len(table) == len(self.x):
                self._table, self._peak = table, peak
            yield rows, table


def _part(times: FloatArray, rows: slice, points: IntArray | slice) -> FloatArray:
    """Choose how often some counts occur, at some points where they differ in it."""
    return times[rows] if times.ndim == 1 else times[rows][:, points]


def _over(times: FloatArray, values: FloatArray) -> FloatArray:
    """Sum values of distinct counts at points over households."""
    return times @ values if times.ndim == 1 else np.einsum("ij,ij->j", times, values)


def _add(value: FloatArray, sums: FloatArray, at: IntArray, times: FloatArray, m: FloatArray) -> None:
    """Add up what households contribute to the log-likelihood and its derivatives (Fisher's identity)."""
    base = np.maximum(m[..., 0], _SMALLEST)
    value[at] += _over(times, np.log(base))
    if m.shape[-1] == 1:
        return
    z1, z2 = m[..., 1] / base, m[..., 2] / base
    b = z2 - 1.0
    sums[0, at] += _over(times, z1)
    sums[2, at] += _over(times, b - z1 * z1)
    if m.shape[-1] == 3:
        return
    z3, z4 = m[..., 3] / base, m[..., 4] / base
    sums[1, at] += _over(times, b)
    sums[3, at] += _over(times, z3 - 3.0 * z1 - z1 * b)
    sums[4, at] += _over(times, z4 - 5.0 * z2 + 2.0 - b * b)


def normal_moments(z: FloatArray, weight: FloatArray, orders: int) -> FloatArray:
    """Multiply normal densities at z by node weights and by powers of z: (..., orders, nodes)."""
    density = weight * np.exp(-0.5 * z * z) / _ROOT_TWO_PI
    out = np.empty((*z.shape[:-1], orders, z.shape[-1]))
    out[..., 0, :] = density
    for j in range(1, orders):
        np.multiply(out[..., j - 1, :], z, out=out[..., j, :])
    return out
