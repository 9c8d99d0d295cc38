"""Households' sensitivities on one scale for all methods: d' ~ N(mu, tau^2), each method seeing |d'|."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from service.science import psychometric
from service.science.pooling.collapse import Distinct
from service.science.pooling.fitting import MeanFit, fit, refit_means
from service.science.pooling.mixture import REACH, Mixture, normal_moments
from service.science.pooling.results import Estimate

FloatArray = npt.NDArray[np.float64]

_FARTHEST = 20.0
"""Beyond it every method is answered rightly to the last bit."""

_LEGENDRE = special.roots_legendre(10)
_LOCAL_PANELS = 9
_NEARLY_ZERO = 1e-4
_ROUNDS = 4
_NOT_WEIGHED = np.zeros((5, 1))


@dataclass(frozen=True, slots=True)
class FoldedModel:
    """Sensitivity over households on one scale: `mean_d_prime` is the mean of |d'| with its profile interval.

    `spread` is tau with its profile interval. An infinite estimate or limit means that the counts bound it nowhere.
    """

    mu: float
    tau: float
    log_likelihood: float
    mean_d_prime: Estimate
    spread: Estimate
    log_likelihood_without_spread: float


class FoldedMixture(Mixture):
    """Counts of several methods, p = f_method(|d'|), d' ~ N(mu, tau^2).

    |d'| has a corner at 0 for the directional methods, so that the half line is cut into Gauss-Legendre panels.
    """

    taus = (0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4, 12.8, 25.6)
    closed_below = True

    def __init__(self, distinct: Distinct, methods: tuple[str, ...]) -> None:
        super().__init__(distinct)
        self.methods = methods
        panel = min(0.5, 4.0 / math.sqrt(float(self.n.max())))
        panels = math.ceil(_FARTHEST / panel)
        nodes, weights = _panels(np.zeros(1), np.full(1, _FARTHEST), panels)
        self._nodes, self._node_weights = nodes.ravel(), weights.ravel()
        of_method = distinct.kind[:, None] == np.arange(len(methods))
        # Right by each method, then wrong by each.
        self._counts = np.hstack((of_method * self.x[:, None], of_method * (self.n - self.x)[:, None]))
        self._finest = 0.5 * panel
        self._log_p, self._log_q = self._logarithms(self._nodes)
        self._start = 0.0
        self._right: FloatArray = np.zeros(len(methods))
        self._wrong: FloatArray = np.zeros(len(methods))
        self.summarise()

    def summarise(self) -> None:
        """Recompute what hangs on how often each count occurs."""
        kinds = len(self.methods)
        self._right = np.bincount(self.distinct.kind, self.times * self.x, kinds).astype(np.float64)
        self._wrong = np.bincount(self.distinct.kind, self.times * (self.n - self.x), kinds).astype(np.float64)
        served = self._right + self._wrong
        shares = (self._right + 0.25) / (served + 0.5)
        seen = [float(psychometric.d_prime(method, share)) for method, share in zip(self.methods, shares, strict=True)]
        self._start = max(float(served @ seen) / float(served.sum()), 0.3)

    @property
    def nodes(self) -> FloatArray:
        """Give the fixed nodes, ascending."""
        return self._nodes

    @property
    def finest_tau(self) -> float:
        """Give the smallest tau that the fixed nodes resolve."""
        return self._finest

    def limits(self, tau: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the range of mu worth searching at each tau."""
        return np.zeros_like(tau), np.full_like(tau, 1.5 * _FARTHEST)

    def start(self, tau: FloatArray) -> FloatArray:
        """Guess at the best mu for each tau."""
        return np.asarray(np.maximum(np.sqrt(np.maximum(self._start**2 - 0.6 * tau * tau, 0.0)), 0.3))

    def mu_near_mean(self, mean: float, tau: FloatArray) -> FloatArray:
        """Find the mu at each tau at which the mean of |d'| is this; NaN where it is larger at any mu."""
        mu = np.sqrt(np.maximum(mean * mean - 2.0 / math.pi * tau * tau, 0.0)) + _NEARLY_ZERO
        for _ in range(_ROUNDS):
            value, slope, *_ = self.mean_parts(mu, tau, _NOT_WEIGHED)
            mu = np.abs(mu + (mean - value) / slope)
        return np.where(math.sqrt(2.0 / math.pi) * tau < mean, mu, np.nan)

    def log_kernel(self, nodes: FloatArray, rows: slice) -> FloatArray:
        """Compute the log-likelihood at nodes, binomial coefficients left out."""
        log_p, log_q = (self._log_p, self._log_q) if nodes is self._nodes else self._logarithms(nodes)
        return np.asarray(self._counts[rows] @ np.concatenate((log_p, log_q)))

    def _logarithms(self, nodes: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the logarithms of the proportions right and wrong by each method, (methods, nodes)."""
        right = np.stack([np.asarray(psychometric.proportion_correct(method, nodes)) for method in self.methods])
        wrong = np.stack([np.asarray(psychometric.proportion_wrong(method, nodes)) for method in self.methods])
        return np.log(right), np.log(np.maximum(wrong, np.finfo(np.float64).tiny))

    def best_without_spread(self) -> float:
        """Give the best mu at tau = 0."""
        if not self._wrong.any():
            return 1.5 * _FARTHEST
        at_zero = self._logarithms(np.zeros(1))
        heights = self._right @ self._log_p + self._wrong @ self._log_q
        best = int(np.argmax(np.append(self._right @ at_zero[0] + self._wrong @ at_zero[1], heights)))
        grid = np.concatenate(([0.0], self._nodes))
        low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, len(grid) - 1)])
        low = max(low, _NEARLY_ZERO)
        if self._score(low) <= 0.0:
            return 0.0
        if self._score(high) >= 0.0:
            return high
        return float(optimize.brentq(self._score, low, high, xtol=1e-13, rtol=1e-14))

    def _score(self, d_prime: float) -> float:
        """Compute the slope of the log-likelihood in d' where all households are alike."""
        total = 0.0
        for method, right, wrong in zip(self.methods, self._right.tolist(), self._wrong.tolist(), strict=True):
            p = float(psychometric.proportion_correct(method, d_prime))
            q = max(float(psychometric.proportion_wrong(method, d_prime)), float(np.finfo(np.float64).tiny))
            slope = float(psychometric.proportion_correct_slope(method, d_prime))
            total += (right / p - wrong / q) * slope
        return total

    def limit_top(self) -> None:
        """Give nothing: with a boundless spread every household can tell, which is no limit worth having."""

    def limit_end(self, level: float, side: int) -> None:
        """Give nothing, likewise."""

    def weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, slice]:
        """Weigh the fixed nodes."""
        m, s = mu[:, None], tau[:, None]
        reach = (REACH + 0.5) * tau
        last = int(np.searchsorted(self._nodes, float(np.max(mu + reach)))) + 1
        first = min(int(np.searchsorted(self._nodes, float(np.min(mu - reach)))), len(self._nodes) - 1)
        chosen = slice(first, last)
        nodes, spacing = self._nodes[chosen], self._node_weights[chosen] / s
        out = normal_moments((nodes - m) / s, spacing, orders)
        if first == 0:
            out += normal_moments((-nodes - m) / s, spacing, orders)
        if last >= len(self._nodes):
            out[..., -1] += _tail_moments((_FARTHEST - mu) / tau, orders)
            out[..., -1] += _tail_moments((_FARTHEST + mu) / tau, orders) * (-1.0) ** np.arange(orders)
        return out, chosen

    def local_weights(self, mu: FloatArray, tau: FloatArray, orders: int) -> tuple[FloatArray, FloatArray]:
        """Give nodes made for points of small tau, and their weights."""
        nodes, spacing = _panels(np.maximum(0.0, mu - REACH * tau), mu + REACH * tau, _LOCAL_PANELS)
        m, s = mu[:, None], tau[:, None]
        near = normal_moments((nodes - m) / s, spacing / s, orders)
        return nodes, near + normal_moments((-nodes - m) / s, spacing / s, orders)

    def weigh_means(self, weights: FloatArray, nodes: slice | FloatArray) -> FloatArray:
        """Give nothing to weigh: the mean of |d'| has a closed form."""
        del nodes
        return np.zeros((5, len(weights)))

    def mean_parts(self, mu: FloatArray, tau: FloatArray, weighed: FloatArray) -> tuple[FloatArray, ...]:
        """Give the mean of |d'| and its derivatives."""
        del weighed
        s = np.maximum(tau, 1e-12)
        z = mu / s
        density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        inside = special.erf(z / math.sqrt(2.0))
        return (
            np.where(tau > 0.0, mu * inside + 2.0 * s * density, mu),
            inside,
            2.0 * density,
            2.0 * density / s,
            -2.0 * density * z / s,
            2.0 * density * z * z / s,
        )


def _panels(low: FloatArray, high: FloatArray, panels: int) -> tuple[FloatArray, FloatArray]:
    """Cut each range into Gauss-Legendre panels: nodes and weights, (ranges, nodes)."""
    width = ((high - low) / panels)[:, None, None]
    middles = low[:, None, None] + width * (np.arange(panels)[:, None] + 0.5)
    nodes = middles + 0.5 * width * _LEGENDRE[0]
    weights = np.broadcast_to(0.5 * width * _LEGENDRE[1], nodes.shape)
    return nodes.reshape(len(low), -1), weights.reshape(len(low), -1)


def _tail_moments(z: FloatArray, orders: int) -> FloatArray:
    """Integrate t^j phi(t) from z to infinity for j below `orders`."""
    tail = special.ndtr(-z)
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / math.sqrt(2.0 * math.pi)
    moments = [tail, density, z * density + tail, (z * z + 2.0) * density, (z**3 + 3.0 * z) * density + 3.0 * tail]
    return np.stack(moments[:orders], axis=-1)


def folded_model(distinct: Distinct, methods: tuple[str, ...], confidence: float = 0.95) -> FoldedModel:
    """Fit the folded normal model of sensitivity to households' counts.

    Parameters
    ----------
    distinct : Distinct
        Distinct counts; `kind` is the place of the method in `methods`.
    methods : tuple of str
        Keys of `service.science.discrimination.METHODS`.
    confidence : float
        Of the profile intervals.

    Returns
    -------
    FoldedModel
        All correct gives an infinite estimate without an upper limit; at or below chance 0 with an upper limit.

    References
    ----------
    Ennis 1993 J Sens Stud 8:353; Brockhoff & Christensen 2010 Food Qual Prefer 21:330 (the functions); the normal
    mixture over d', even in d', is integrated by Gauss-Legendre panels.

    """
    mixture = FoldedMixture(distinct, methods)
    fall = 0.5 * float(special.ndtri(0.5 + 0.5 * confidence)) ** 2
    fitted = fit(mixture, fall)
    top = fitted.mean.top
    spread = Estimate(top.tau, fitted.tau_low.value, fitted.tau_high.value)
    without = float(top.log_likelihoods[0])
    return FoldedModel(top.mu, top.tau, top.log_likelihood, _mean(mixture, fitted.mean), spread, without)


def folded_means_without(
    distinct: Distinct, methods: tuple[str, ...], groups: Sequence[tuple[int, ...]], confidence: float
) -> list[Estimate]:
    """Estimate the mean of |d'| without each household in turn.

    Parameters
    ----------
    distinct, methods, confidence
        As in `folded_model`.
    groups : sequence of tuple of int
        The distinct counts of each household, one for each of its methods.

    """
    mixture = FoldedMixture(distinct, methods)
    fall = 0.5 * float(special.ndtri(0.5 + 0.5 * confidence)) ** 2
    distinct_groups = list(dict.fromkeys(groups))
    rests = [mixture.without(group) for group in distinct_groups]
    fits = refit_means(rests, fit(mixture, fall).mean, fall)
    means = map(_mean, rests, fits)
    found = dict(zip(distinct_groups, means, strict=True))
    return [found[group] for group in groups]


def _mean(mixture: FoldedMixture, fitted: MeanFit) -> Estimate:
    """Give the mean of |d'|, its ends infinite where the search met its own limits."""
    top, upper = fitted.top, fitted.high
    if top.mu >= 0.999 * 1.5 * _FARTHEST:
        return Estimate(math.inf, fitted.low.value, math.inf)
    bounded = upper.bounded and upper.tau < mixture.taus[-1]
    return Estimate(top.mean, fitted.low.value, upper.value if bounded else math.inf)
