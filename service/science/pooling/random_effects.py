"""Inverse-variance pools under a variance between households: means, errors, intervals, heterogeneity."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.pooling import tau2 as estimators
from service.science.pooling.difference_results import Estimator, IntervalName
from service.science.pooling.weighted_sums import Kept, Problems, Spread, Totals, pieces, spread, whole

FloatArray = npt.NDArray[np.float64]

Convention = Literal["higgins_2009", "hartung_knapp_k_minus_1", "hartung_knapp_k_minus_2", "normal", "student_observed"]
"""How the next household is predicted.

`higgins_2009`: t with k - 2 df and the Wald error (Higgins, Thompson & Spiegelhalter 2009 JRSS A 172:137), of the next
true difference; `hartung_knapp_k_minus_1`, `hartung_knapp_k_minus_2`: t with the Hartung-Knapp error; `normal`: too
short; `student_observed`: the next observed difference, mean +- t(k-1) s sqrt(1 + 1/k).
"""

_ESTIMATORS = {
    "reml": estimators.restricted_maximum_likelihood,
    "maximum_likelihood": estimators.maximum_likelihood,
    "paule_mandel": estimators.paule_mandel,
    "dersimonian_laird": estimators.dersimonian_laird,
}
_LIKELIHOODS = {"reml": estimators.restricted_log_likelihood, "maximum_likelihood": estimators.log_likelihood}

_FARTHEST = 1e50
"""Standard errors further than this from the scale of the data are as good as at it, and their powers stay finite."""

_SMALLEST = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True)
class Scaled:
    """Values and standard errors about a centre, in units of a scale, so that no power of theirs overflows.

    It has no slots, because it keeps the sums that more than one result is made of.
    """

    y: FloatArray
    v: FloatArray
    centre: float
    scale: float
    exact: bool
    """Whether the readings were given as free of error."""
    centring: Spread | None = None
    """The spread as it came of the sums that the centre was found by, where these told it."""

    @cached_property
    def together(self) -> Problems:
        """The problem of all households."""
        return whole(self.y, self.v)

    @cached_property
    def at_zero(self) -> Spread:
        """The spread of all households where nothing but reading spreads them."""
        return self.centring or spread(self.together, np.zeros(1))

    @cached_property
    def spare(self) -> FloatArray:
        """What their weights then add up to beyond one household's."""
        return estimators.spare_weight(self.together, self.at_zero)

    def problems(self, kept: Kept) -> Problems:
        """Make the problems of all households, of all but each, or of the first ones up to each."""
        return self.together if kept == "all" else Problems(self.y, self.v, kept, np.arange(len(self.y)))


@dataclass(frozen=True, slots=True)
class Pools:
    """Pools of one or many sets of households, arrays with one element for each.

    `freedom` is one less than the count, and at least 1; `error` the Wald standard error; `q` the mean square of the
    weighted residuals, Hartung and Knapp's factor.
    """

    count: FloatArray
    freedom: FloatArray
    tau2: FloatArray
    mean: FloatArray
    error: FloatArray
    q: FloatArray


@dataclass(frozen=True, slots=True)
class Limits:
    """Standard errors, intervals and p-values against a mean of 0, one element for each pool."""

    error: FloatArray
    low: FloatArray
    high: FloatArray
    p_value: FloatArray
    freedom: FloatArray | None


def scaled(y: FloatArray, error: FloatArray) -> Scaled:
    """Centre and scale values and standard errors.

    Parameters
    ----------
    y, error : array
        One for each household; the errors all above 0, or all 0.

    """
    first = float(y[0])
    reach = float(np.maximum.reduce(y)) - float(np.minimum.reduce(y))
    # The best reading tells more of the mean than any other: a scale of its size keeps it from being rounded away.
    best = float(np.minimum.reduce(error))
    extent = max(reach, best)
    # A power of two, so that scaling rounds nothing; its inverse is finite.
    scale = math.ldexp(1.0, math.frexp(max(extent, _SMALLEST))[1]) if extent else 1.0
    unit = 1.0 / scale
    if best == 0.0:
        # Readings without error leave equal weights; with equal variances no estimate depends on their size.
        gaps = (y - first) * unit
        centre = float(gaps.mean())
        return Scaled(gaps - centre, np.zeros_like(y), first + centre * scale, scale, exact=True)
    is_far = best < scale / _FARTHEST or float(np.maximum.reduce(error)) > scale * _FARTHEST
    gaps, v = np.empty((2, len(y)))
    totals = Totals()
    for piece in pieces(len(y)):
        gap, variance = gaps[piece], v[piece]
        np.subtract(y[piece], first, out=gap)
        gap *= unit
        np.multiply(error[piece], unit, out=variance)
        if is_far:
            np.clip(variance, 1.0 / _FARTHEST, _FARTHEST, out=variance)
        variance *= variance
        totals.add(1.0 / variance, gap)
    centre = totals.mean
    gaps -= centre
    return Scaled(gaps, v, first + centre * scale, scale, exact=False, centring=totals.spread(centre))


def pools(data: Scaled, estimator: Estimator, kept: Kept) -> Pools:
    """Pool households, all together or without each or up to each.

    Parameters
    ----------
    data : Scaled
        Households' values and variances.
    estimator : str
        Of the variance between households; `common` takes it as 0.
    kept : str
        Which pools.

    References
    ----------
    As in `tau2`; Hartung & Knapp 2001 Stat Med 20:1771 for `q`.

    """
    problems = data.problems(kept)
    tau2 = _between(data, problems, estimator)
    if data.exact:
        shares = Problems(data.y, np.ones_like(data.y), kept, problems.row)
        s = spread(shares, np.zeros(len(tau2)))
        error, q = np.sqrt(tau2 / s.count), s.q / np.where(tau2 > 0.0, tau2, 1.0)
    else:
        s = spread(problems, tau2)
        error, q = 1.0 / np.sqrt(s.w1), s.q
    freedom = np.maximum(s.count - 1.0, 1.0)
    size = data.scale
    return Pools(s.count, freedom, tau2 * (size * size), data.centre + size * s.mean, size * error, q / freedom)


def _between(data: Scaled, problems: Problems, estimator: Estimator) -> FloatArray:
    if estimator == "common":
        return np.zeros(len(problems.row))
    if not data.exact:
        by_moments = estimator == "dersimonian_laird" and problems.kept == "all"
        return estimators.by_moments(data.at_zero, data.spare) if by_moments else _ESTIMATORS[estimator](problems)
    shares = Problems(data.y, np.ones_like(data.y), problems.kept, problems.row)
    s = spread(shares, np.zeros(len(problems.row)))
    divisor = s.count if estimator == "maximum_likelihood" else np.maximum(s.count - 1.0, 1.0)
    return np.asarray(s.q / divisor)


def limits(pool: Pools, interval: IntervalName, level: float) -> Limits:
    """Compute intervals of the pooled means.

    Parameters
    ----------
    pool : Pools
        The pools.
    interval : str
        `wald` (normal quantile), `student` (the same error with t, k - 1 df), `hartung_knapp` (error times the root of
        q) or `hartung_knapp_modified` (q at least 1).
    level : float
        Confidence.

    References
    ----------
    Hartung & Knapp 2001 Stat Med 20:1771; Sidik & Jonkman 2002 Stat Med 21:3153; Knapp & Hartung 2003 Stat Med 22:2693;
    Roever, Knapp & Friede 2015 BMC Med Res Methodol 15:99.

    """
    freedom, error = pool.freedom, pool.error
    if interval == "hartung_knapp":
        error = error * np.sqrt(pool.q)
    elif interval == "hartung_knapp_modified":
        error = error * np.sqrt(np.maximum(pool.q, 1.0))
    certain = np.minimum.reduce(error) == 0.0
    ratio = -np.abs(pool.mean) / (np.where(error > 0.0, error, 1.0) if certain else error)
    if interval == "wald":
        quantile = special.ndtri(0.5 + 0.5 * level)
        tail = special.ndtr(ratio)
    else:
        quantile = special.stdtrit(freedom, 0.5 + 0.5 * level)
        tail = special.stdtr(freedom, ratio)
    p_value = np.maximum(2.0 * tail, _SMALLEST)
    if certain:
        p_value = np.where(error > 0.0, p_value, np.where(pool.mean == 0.0, 1.0, _SMALLEST))
    reach = quantile * error
    return Limits(error, pool.mean - reach, pool.mean + reach, p_value, None if interval == "wald" else freedom)


@dataclass(frozen=True, slots=True)
class Heterogeneity:
    """Cochran's Q and what is made of it; `typical` is the typical reading variance of Higgins & Thompson (2002)."""

    q: float
    freedom: int
    p_value: float
    i2_percent: float
    i2_tau2_percent: float
    h2: float
    typical: float


def heterogeneity(data: Scaled, tau2: float) -> Heterogeneity | None:
    """Compute Q about the common-effect mean, and both definitions of I^2.

    Parameters
    ----------
    data : Scaled
        Households' values and variances; None is given back where readings have no error, which makes Q infinite.
    tau2 : float
        In the values' unit squared, for the second definition.

    References
    ----------
    Cochran 1954 Biometrics 10:101; Higgins & Thompson 2002 Stat Med 21:1539.

    """
    if data.exact or len(data.y) < 2:
        return None
    s, freedom = data.at_zero, len(data.y) - 1
    q = float(s.q[0])
    typical = freedom / float(data.spare[0]) * data.scale**2
    return Heterogeneity(
        q=q,
        freedom=freedom,
        p_value=max(float(special.chdtrc(freedom, q)), _SMALLEST),
        i2_percent=100.0 * max(0.0, (q - freedom) / q) if q > 0.0 else 0.0,
        i2_tau2_percent=100.0 * tau2 / (tau2 + typical),
        h2=q / freedom,
        typical=typical,
    )


def tau2_interval(data: Scaled, level: float) -> tuple[float, float] | None:
    """Compute the Q-profile interval of tau2 (Viechtbauer 2007); None where it is empty or readings have no error.

    Parameters
    ----------
    data : Scaled
        Households' values and variances.
    level : float
        Confidence.

    """
    if data.exact or len(data.y) < 2:
        return None
    low, high = (float(end[0]) * data.scale**2 for end in estimators.q_profile(data.together, level))
    return None if math.isnan(low) else (low, high)


def log_likelihood(data: Scaled, estimator: Estimator, tau2: float) -> float | None:
    """Compute the log-likelihood at tau2, restricted for `reml`; None for estimators that have none.

    Parameters
    ----------
    data : Scaled
        Households' values and variances.
    estimator : str
        `reml` or `maximum_likelihood`.
    tau2 : float
        In the values' unit squared.

    """
    likelihood = _LIKELIHOODS.get(estimator)
    if likelihood is None or data.exact:
        return None
    within = float(likelihood(data.together, np.array([tau2 / data.scale**2]))[0])
    free = len(data.y) - (1 if estimator == "reml" else 0)
    return within - free * math.log(data.scale)


def prediction(pool: Pools, convention: Convention, level: float) -> tuple[float, float] | None:
    """Predict the next household by a named convention; None where its degrees of freedom run out.

    Parameters
    ----------
    pool : Pools
        Of all households.
    convention : str
        As in `Convention`, but for `student_observed`, which needs the values.
    level : float
        Confidence.

    """
    k = float(pool.count[0])
    mean, error, tau2 = float(pool.mean[0]), float(pool.error[0]), float(pool.tau2[0])
    if convention.startswith("hartung_knapp"):
        error *= math.sqrt(float(pool.q[0]))
    if convention == "normal":
        quantile = float(special.ndtri(0.5 + 0.5 * level))
    else:
        freedom = k - 1.0 if convention == "hartung_knapp_k_minus_1" else k - 2.0
        if freedom < 1.0:
            return None
        quantile = float(special.stdtrit(freedom, 0.5 + 0.5 * level))
    reach = quantile * math.hypot(math.sqrt(tau2), error)
    return mean - reach, mean + reach
