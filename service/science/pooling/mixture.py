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

_CACHED_CELLS = 4_000_000
"""Likelihood tables above this many cells are rebuilt in blocks at each use, so that memory stays O(k)."""

_SMALLEST = 1e-300
_NEARLY_ZERO_TAU = 1e-3
_REACH = 9.0
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
        wide = np.flatnonzero(tau >= self.finest_tau)
        if len(wide):
            weighed[:, wide] = self.weigh_means(*self.weights(mu[wide], tau[wide], 5))
        narrow = np.flatnonzero(tau < self.finest_tau)
        if len(narrow):
            nodes, local = self.local_weights(mu[narrow], np.maximum(tau[narrow], _NEARLY_ZERO_TAU), 5)
            weighed[:, narrow] = self.weigh_means(local, nodes)
        return self.mean_parts(mu, tau, weighed)[0]

    def value(self, mu: FloatArray, tau: FloatArray) -> FloatArray:
        """Compute the log-likelihood alone at points (mu, tau)."""
        return self._moments(mu, tau, 1)[0]

    def line(self, mu: FloatArray, tau: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Compute the log-likelihood with its first and second derivative in mu at points (mu, tau)."""
        value, sums, _ = self._moments(mu, tau, 3)
        s = np.maximum(tau, _NEARLY_ZERO_TAU)
        return value, sums[0] / s, sums[2] / (s * s)

    def surface(self, mu: FloatArray, tau: FloatArray) -> Surface:
        """Compute the log-likelihood and the headline mean with their derivatives at points (mu, tau)."""
        value, sums, weighed = self._moments(mu, tau, 5)
        s = np.maximum(tau, _NEARLY_ZERO_TAU)
        squared = s * s
        first, second = sums[:2] / s, sums[2:] / squared
        return Surface(value, *first, *second, *self.mean_parts(mu, tau, weighed))

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

    def _moments(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        value = np.zeros(len(mu))
        sums, weighed = np.zeros((5, len(mu))), np.zeros((5, len(mu)))
        wide = np.flatnonzero(tau >= self.finest_tau)
        if len(wide):
            weights, chosen = self.weights(mu[wide], tau[wide], orders)
            flat = weights.reshape(-1, weights.shape[-1]).T
            for rows, table in self._blocks():
                moments = (table[:, chosen] @ flat).reshape(len(table), len(wide), orders)
                self._add(value, sums, wide, rows, moments)
            value[wide] += self._constant
            if orders > 3:
                weighed[:, wide] = self.weigh_means(weights, chosen)
        narrow = np.flatnonzero(tau < self.finest_tau)
        if len(narrow):
            nodes, local = self.local_weights(mu[narrow], np.maximum(tau[narrow], _NEARLY_ZERO_TAU), orders)
            for rows in self._rows(nodes.size):
                log_kernel = self.log_kernel(nodes.ravel(), rows).reshape(-1, *nodes.shape)
                highest = log_kernel.max(axis=2)
                local_table = np.exp(log_kernel - highest[..., None])
                moments = np.matmul(local_table.transpose(1, 0, 2), local.transpose(0, 2, 1)).transpose(1, 0, 2)
                self._add(value, sums, narrow, rows, moments)
                value[narrow] += self.times[rows] @ (highest + self.log_choose[rows, None])
            if orders > 3:
                weighed[:, narrow] = self.weigh_means(local, nodes)
            alike = narrow[tau[narrow] < _NEARLY_ZERO_TAU]
            if len(alike):
                value[alike] = self.without_spread(mu[alike])
        return value, sums, weighed

    def without_spread(self, mu: FloatArray) -> FloatArray:
        """Compute the log-likelihood where all households are alike."""
        nodes = np.abs(mu) if self.closed_below else mu
        total = np.zeros(len(mu))
        for rows in self._rows(len(nodes)):
            total += self.times[rows] @ (self.log_kernel(nodes, rows) + self.log_choose[rows, None])
        return total

    def _add(self, value: FloatArray, sums: FloatArray, at: npt.NDArray[np.intp], rows: slice, m: FloatArray) -> None:
        times = self.times[rows]
        base = np.maximum(m[..., 0], _SMALLEST)
        value[at] += times @ np.log(base)
        if m.shape[-1] == 1:
            return
        z1, z2 = m[..., 1] / base, m[..., 2] / base
        b = z2 - 1.0
        sums[0, at] += times @ z1
        sums[2, at] += times @ (b - z1 * z1)
        if m.shape[-1] == 3:
            return
        z3, z4 = m[..., 3] / base, m[..., 4] / base
        sums[1, at] += times @ b
        sums[3, at] += times @ (z3 - 3.0 * z1 - z1 * b)
        sums[4, at] += times @ (z4 - 5.0 * z2 + 2.0 - b * b)

    @property
    def _constant(self) -> float:
        if self._peak is None:
            peaks = [self.log_kernel(self.nodes, rows).max(axis=1) for rows in self._rows(len(self.nodes))]
            self._peak = np.concatenate(peaks)
        return float(self.times @ (self._peak + self.log_choose))

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


def normal_moments(z: FloatArray, weight: FloatArray, orders: int) -> FloatArray:
    """Multiply normal densities at z by node weights and by powers of z: (..., orders, nodes)."""
    density = weight * np.exp(-0.5 * z * z) / _ROOT_TWO_PI
    out = np.empty((*z.shape[:-1], orders, z.shape[-1]))
    out[..., 0, :] = density
    for j in range(1, orders):
        np.multiply(out[..., j - 1, :], z, out=out[..., j, :])
    return out


class FloorMixture(Mixture):
    """p = g + (1 - g) expit(eta), eta ~ N(mu, tau^2): the guessing-floor logit-normal model.

    The integrand is analytic, so that a trapezoid converges faster than any power of its step (Trefethen & Weideman
    2014 SIAM Rev 56:385). The step follows the largest household, whose likelihood is the narrowest.
    """

    taus = (0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 25.6)
    _edge = 37.0
    """Beyond it p is g or 1 to the last bit."""

    def __init__(self, distinct: Distinct, guess: float) -> None:
        super().__init__(distinct)
        self.guess = guess
        self.step = min(0.25, 1.0 / math.sqrt(float(self.n.max())))
        half = math.ceil(self._edge / self.step)
        self._nodes = self.step * np.arange(-half, half + 1.0)
        self._p = self.proportion(self._nodes)
        with np.errstate(divide="ignore"):
            self._log_guess = special.xlogy(self.x, guess) + (self.n - self.x) * math.log1p(-guess)
        self._know = (self.x == self.n).astype(np.float64)
        self.pooled = 0.0
        self._start = 0.0
        self.summarise()
        self._z = np.arange(-_REACH, _REACH + 0.25, 0.5)

    def summarise(self) -> None:
        """Recompute what hangs on how often each count occurs."""
        self.pooled = float(self.times @ self.x) / float(self.times @ self.n)
        share = (self.pooled - self.guess) / (1.0 - self.guess)
        self._start = float(special.logit(min(max(share, 0.01), 0.99)))

    @property
    def nodes(self) -> FloatArray:
        """Give the fixed nodes, ascending."""
        return self._nodes

    @property
    def finest_tau(self) -> float:
        """Give the smallest tau that the fixed nodes resolve."""
        return 1.6 * self.step

    def proportion(self, eta: FloatArray) -> FloatArray:
        """Map the logit of discriminating to the proportion correct."""
        return np.asarray(self.guess + (1.0 - self.guess) * special.expit(eta))

    def limits(self, tau: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the range of mu worth searching at each tau."""
        end = 40.0 + 10.0 * tau
        return -end, end

    def start(self, tau: FloatArray) -> FloatArray:
        """Guess at the best mu for each tau."""
        return np.asarray(self._start * np.sqrt(1.0 + 0.346 * tau * tau))

    def log_kernel(self, nodes: FloatArray, rows: slice) -> FloatArray:
        """Compute the log-likelihood at nodes, binomial coefficients left out."""
        log_know = special.log_expit(nodes)
        log_guess = math.log(self.guess) if self.guess > 0.0 else -math.inf
        log_p = np.logaddexp(log_guess, math.log1p(-self.guess) + log_know)
        log_q = math.log1p(-self.guess) + special.log_expit(-nodes)
        x, n = self.x[rows, None], self.n[rows, None]
        return np.asarray(x * log_p + (n - x) * log_q)

    def weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, slice]:
        """Weigh the fixed nodes."""
        first = math.floor(float(np.min(mu - (_REACH + 0.5) * tau)) / self.step)
        last = math.ceil(float(np.max(mu + (_REACH + 0.5) * tau)) / self.step)
        half = len(self._nodes) // 2
        lattice = self.step * np.arange(first, last + 1.0)
        z = (lattice - mu[:, None]) / tau[:, None]
        weights = normal_moments(z, self.step / tau[:, None], orders)
        low, high = max(0, -half - first), max(0, last - half)
        low, high = min(low, len(lattice) - 1), min(high, len(lattice) - 1)
        # Beyond the table the likelihood is constant: the outer nodes' weights fall on its edges.
        if low:
            weights[..., low] += weights[..., :low].sum(axis=-1)
        if high:
            weights[..., -high - 1] += weights[..., -high:].sum(axis=-1)
        begin = min(max(first + half, 0), 2 * half)
        kept = weights[..., low : weights.shape[-1] - high]
        return kept, slice(begin, begin + kept.shape[-1])

    def best_without_spread(self) -> float:
        """Give the best mu at tau = 0."""
        share = (self.pooled - self.guess) / (1.0 - self.guess)
        low, high = self.limits(np.zeros(1))
        return float(np.clip(special.logit(min(max(share, 0.0), 1.0)), low[0], high[0]))

    def limit_top(self) -> tuple[float, float] | None:
        """Give the best log-likelihood as tau goes to infinity and the mean there."""
        share, value = self._guess_or_know()
        return value, self.guess + (1.0 - self.guess) * share

    def limit_end(self, level: float, side: int) -> float | None:
        """Give the end of the mean as tau goes to infinity."""
        share, value = self._guess_or_know()
        if value < level:
            return None
        outer = 1.0 if side > 0 else 0.0
        if self._limit_value(outer) < level:
            inner = share
            for _ in range(60):
                middle = 0.5 * (inner + outer)
                inner, outer = (middle, outer) if self._limit_value(middle) >= level else (inner, middle)
            outer = inner
        return self.guess + (1.0 - self.guess) * outer

    def _guess_or_know(self) -> tuple[float, float]:
        """Fit the limit of a boundless spread: every household either guesses throughout or is always right."""
        if not self.times @ self._know:
            return 0.0, self._limit_value(0.0)
        low, high = 0.0, 1.0
        guess = np.exp(self._log_guess)
        gain = self.times * (self._know - guess)
        for _ in range(50):
            middle = 0.5 * (low + high)
            slope = np.sum(gain / np.maximum((1.0 - middle) * guess + middle * self._know, _SMALLEST))
            low, high = (middle, high) if slope > 0.0 else (low, middle)
        shares = (0.0, 0.5 * (low + high), 1.0)
        return max(((share, self._limit_value(share)) for share in shares), key=lambda pair: pair[1])

    def _limit_value(self, share: float) -> float:
        with np.errstate(divide="ignore"):
            guessing = self._log_guess + np.log1p(-share) if share < 1.0 else np.full(len(self.x), -np.inf)
            knowing = np.log(self._know * share)
        there = self.times > 0.0
        return float(self.times[there] @ (np.logaddexp(guessing, knowing) + self.log_choose)[there])

    def local_weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, FloatArray]:
        """Give nodes made for points of small tau, and their weights."""
        weights = normal_moments(self._z, np.full(len(self._z), 0.5), orders)
        return mu[:, None] + tau[:, None] * self._z, np.broadcast_to(weights, (len(mu), *weights.shape))

    def weigh_means(self, weights: FloatArray, nodes: slice | FloatArray) -> FloatArray:
        """Weigh proportions correct."""
        if isinstance(nodes, slice):
            return np.asarray((weights @ self._p[nodes]).T)
        return np.asarray(np.einsum("pon,pn->op", weights, self.proportion(nodes)))

    def mean_parts(self, mu: FloatArray, tau: FloatArray, weighed: FloatArray) -> tuple[FloatArray, ...]:
        """Give the mean proportion correct and its derivatives."""
        p0, p1, p2, p3, p4 = weighed
        s = np.maximum(tau, _NEARLY_ZERO_TAU)
        squared = s * s
        value = np.where(tau < _NEARLY_ZERO_TAU, self.proportion(mu), p0)
        second = p2 - p0
        return (
            value,
            p1 / s,
            second / s,
            second / squared,
            (p3 - 3.0 * p1) / squared,
            (p4 - 5.0 * p2 + 2.0 * p0) / squared,
        )
