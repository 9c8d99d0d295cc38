"""The guessing-floor logit-normal mixture: no household is below guessing."""

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from service.science.pooling.collapse import Distinct
from service.science.pooling.mixture import NEARLY_ZERO_TAU, REACH, Mixture, normal_moments

FloatArray = npt.NDArray[np.float64]

_SMALLEST = 1e-300


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
        self._counts = np.column_stack((self.x, self.n - self.x))
        self.step = min(0.25, 1.0 / math.sqrt(float(self.n.max())))
        half = math.ceil(self._edge / self.step)
        self._nodes = self.step * np.arange(-half, half + 1.0)
        self._p = self.proportion(self._nodes)
        with np.errstate(divide="ignore"):
            self._log_guess = special.xlogy(self.x, guess) + (self.n - self.x) * math.log1p(-guess)
        self._know = (self.x == self.n).astype(np.float64)
        self.pooled = 0.0
        self._start = 0.0
        self._limit: tuple[float, float] | None = None
        self.summarise()
        self._z = np.arange(-REACH, REACH + 0.25, 0.5)

    def summarise(self) -> None:
        """Recompute what hangs on how often each count occurs."""
        self.pooled = float(self.times @ self.x) / float(self.times @ self.n)
        share = (self.pooled - self.guess) / (1.0 - self.guess)
        self._start = float(special.logit(min(max(share, 0.01), 0.99)))
        self._limit = None

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
        return np.asarray(self._start * _widened(tau))

    def mu_near_mean(self, mean: float, tau: FloatArray) -> FloatArray:
        """Guess at the mu at each tau at which the mean proportion correct is this."""
        return np.asarray(special.logit((mean - self.guess) / (1.0 - self.guess)) * _widened(tau))

    def log_kernel(self, nodes: FloatArray, rows: slice) -> FloatArray:
        """Compute the log-likelihood at nodes, binomial coefficients left out."""
        log_know = special.log_expit(nodes)
        log_guess = math.log(self.guess) if self.guess > 0.0 else -math.inf
        log_p = np.logaddexp(log_guess, math.log1p(-self.guess) + log_know)
        log_q = math.log1p(-self.guess) + special.log_expit(-nodes)
        return np.asarray(self._counts[rows] @ np.stack((log_p, log_q)))

    def weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, slice]:
        """Weigh the fixed nodes."""
        first = math.floor(float(np.min(mu - (REACH + 0.5) * tau)) / self.step)
        last = math.ceil(float(np.max(mu + (REACH + 0.5) * tau)) / self.step)
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
            # The logarithm is infinite at the edges, where a root-finder would lose its way.
            outer = _root(lambda s: max(self._limit_value(s) - level, -1e3), share, outer)
        return self.guess + (1.0 - self.guess) * outer

    def _guess_or_know(self) -> tuple[float, float]:
        """Fit the limit of a boundless spread: every household either guesses throughout or is always right."""
        if self._limit is None:
            self._limit = self._fit_limit()
        return self._limit

    def _fit_limit(self) -> tuple[float, float]:
        if not self.times @ self._know:
            return 0.0, self._limit_value(0.0)
        guess = np.exp(self._log_guess)
        gain = self.times * (self._know - guess)

        def slope(share: float) -> float:
            return float(np.sum(gain / np.maximum((1.0 - share) * guess + share * self._know, _SMALLEST)))

        shares = [0.0, 1.0]
        if slope(0.0) > 0.0 > slope(1.0):
            shares.append(_root(slope, 0.0, 1.0))
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
        s = np.maximum(tau, NEARLY_ZERO_TAU)
        squared = s * s
        value = np.where(tau < NEARLY_ZERO_TAU, self.proportion(mu), p0)
        second = p2 - p0
        return (
            value,
            p1 / s,
            second / s,
            second / squared,
            (p3 - 3.0 * p1) / squared,
            (p4 - 5.0 * p2 + 2.0 * p0) / squared,
        )


def _widened(tau: FloatArray) -> FloatArray:
    """Give what the logit of a mean is multiplied by where logits spread: nearly that of a normal ogive."""
    return np.sqrt(1.0 + 0.346 * tau * tau)


def _root(function: Callable[[float], float], one: float, other: float) -> float:
    return float(optimize.brentq(function, one, other, xtol=1e-15, rtol=1e-15))
