"""Regression of households' differences on what the households share: one number, or the group they are in."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science.errors import InputError
from service.science.pooling.random_effects import Scaled

FloatArray = npt.NDArray[np.float64]

_SCAN = 60
_STEPS = 100
_TOLERANCE = 1e-10
_LEAST_ERROR = 1e-70
_SMALLEST = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True, slots=True)
class Regression:
    """A mixed-effects regression, in the values' unit.

    `covariance` is Wald's; times `q` it is Hartung and Knapp's, with `freedom` = k - p. `qe` is the residual Q at
    tau2 = 0.
    """

    tau2: float
    coefficients: FloatArray
    covariance: FloatArray
    q: float
    freedom: int
    qe: float
    qe_p_value: float
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class Egger:
    """The regression of y/s on 1/s by least squares."""

    intercept: float
    standard_error: float
    t: float
    p_value: float
    slope: float
    freedom: int


@dataclass(frozen=True, slots=True)
class _At:
    """What the design's weighted cross-products give at one tau2."""

    inverse: FloatArray
    beta: FloatArray
    q: float
    score: float
    bend: float
    log_likelihood: float


def mixed_regression(data: Scaled, design: FloatArray) -> Regression:
    """Fit a regression with a REML variance between households.

    Parameters
    ----------
    data : Scaled
        Values and variances above 0, of the households that the design is about.
    design : array
        Households by columns, of full column rank and fewer columns than households.

    References
    ----------
    Raudenbush & Bryk 1985 J Educ Stat 10:75; Knapp & Hartung 2003 Stat Med 22:2693. Only p by p matrices are formed.

    """
    k, p = design.shape
    tau2 = _restricted(data, design)
    fit, at_zero = _at(data, design, tau2), _at(data, design, 0.0)
    size = data.scale
    # The values were centred: the centre goes back into whatever combination of columns is constant.
    constant = np.linalg.lstsq(design, np.ones(k), rcond=None)[0]
    freedom = k - p
    return Regression(
        tau2=tau2 * size * size,
        coefficients=size * fit.beta + data.centre * constant,
        covariance=fit.inverse * size * size,
        q=fit.q / freedom,
        freedom=freedom,
        qe=at_zero.q,
        qe_p_value=max(float(special.chdtrc(freedom, at_zero.q)), _SMALLEST),
        log_likelihood=fit.log_likelihood - freedom * math.log(size),
    )


def _at(data: Scaled, x: FloatArray, tau2: float) -> _At:
    w = 1.0 / (data.v + tau2)
    wx = w[:, None] * x
    inverse = np.linalg.inv(x.T @ wx)
    beta = inverse @ (wx.T @ data.y)
    r = data.y - x @ beta
    wr = w * r
    w2x = w[:, None] * wx
    squares = inverse @ (x.T @ w2x)
    trace = float(w.sum() - np.trace(squares))
    traces = float(w @ w - 2.0 * np.trace(inverse @ (wx.T @ w2x)) + np.sum(squares * squares.T))
    cross = wx.T @ wr
    third = float((wr * wr) @ w - cross @ inverse @ cross)
    k, p = x.shape
    half_log = np.linalg.slogdet(inverse)[1] + np.linalg.slogdet(x.T @ x)[1]
    q = float(wr @ r)
    likelihood = 0.5 * (float(np.sum(np.log(w))) - q + float(half_log) - (k - p) * math.log(2.0 * math.pi))
    return _At(
        np.asarray(inverse, dtype=np.float64), beta, q, 0.5 * (float(wr @ wr) - trace), 0.5 * traces - third, likelihood
    )


def _restricted(data: Scaled, x: FloatArray) -> float:
    """Find the highest maximum of the restricted likelihood over tau2, its score bracketed at many places."""
    most = 10.0 * max(float(np.ptp(data.y)), 1e-8) ** 2
    grid = np.concatenate(([0.0], np.geomspace(min(0.01 * float(data.v.min()), 1e-3 * most), most, _SCAN)))
    scores = np.array([_at(data, x, tau2).score for tau2 in grid.tolist()])
    peaks = [0.0] if scores[0] <= 0.0 else []
    falling = np.flatnonzero((scores[:-1] > 0.0) & (scores[1:] <= 0.0)).tolist()
    peaks.extend(_root(data, x, float(grid[i]), float(grid[i + 1])) for i in falling)
    return max(peaks or [0.0], key=lambda tau2: _at(data, x, tau2).log_likelihood)


def _root(data: Scaled, x: FloatArray, low: float, high: float) -> float:
    tau2 = 0.5 * (low + high)
    for _ in range(_STEPS):
        here = _at(data, x, tau2)
        low, high = (tau2, high) if here.score > 0.0 else (low, tau2)
        moved = tau2 - here.score / here.bend if here.bend != 0.0 else math.inf
        if not low <= moved <= high:
            moved = 0.5 * (low + high)
        done = abs(moved - tau2) <= _TOLERANCE * moved
        tau2 = moved
        if done:
            break
    return tau2


def is_too_far(y: FloatArray, error: FloatArray) -> npt.NDArray[np.bool_]:
    """Say which standard errors are too small for `egger` to square what is divided by them."""
    return np.asarray((error < _LEAST_ERROR) | (error / _LEAST_ERROR < np.maximum(np.abs(y), error.max())))


def egger(y: FloatArray, error: FloatArray) -> Egger:
    """Regress y/s on 1/s by least squares: its intercept is the asymmetry of small studies.

    Parameters
    ----------
    y, error : array
        Values and standard errors above 0 that are not all equal; three or more.

    Raises
    ------
    InputError
        At the first standard error so far below its value, or below the others, that the quotient has no square.

    References
    ----------
    Egger et al. 1997 BMJ 315:629.

    """
    far = is_too_far(y, error)
    if far.any():
        raise InputError("standard_error", "is too small beside the differences to weigh them by", int(np.argmax(far)))
    precision, standard = 1.0 / error, y / error
    k = len(y)
    gap = precision - precision.mean()
    spread = float(gap @ gap)
    slope = float(gap @ (standard - standard.mean())) / spread
    intercept = float(standard.mean()) - slope * float(precision.mean())
    residual = standard - intercept - slope * precision
    variance = float(residual @ residual) / (k - 2)
    standard_error = math.sqrt(variance * (1.0 / k + float(precision.mean()) ** 2 / spread))
    t = intercept / standard_error if standard_error > 0.0 else math.copysign(math.inf, intercept)
    p_value = max(2.0 * float(special.stdtr(k - 2, -abs(t))), _SMALLEST)
    return Egger(intercept, standard_error, t, p_value, slope, k - 2)
