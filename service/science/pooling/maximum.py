"""The maximum of a mixture's likelihood, its edges included."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.pooling.mixture import Mixture, Surface

FloatArray = npt.NDArray[np.float64]

SAME = 1e-9
"""Log-likelihoods no further apart than this are one."""

_GRID_TOLERANCE = 1e-5
_NO_GAIN = 1e-10
_STEPS = 60


@dataclass(frozen=True, slots=True)
class Top:
    """The maximum of a mixture's likelihood, and the best mu and likelihood at each tau looked at.

    `tau` is infinite where the likelihood rises without end along a ridge; mu then has no value.
    """

    mu: float
    tau: float
    log_likelihood: float
    mean: float
    taus: FloatArray
    mus: FloatArray
    log_likelihoods: FloatArray


def maximise(mixture: Mixture, start: tuple[float, float] | None = None) -> Top:
    """Find the maximum over mu and tau >= 0, tau = 0 included.

    Parameters
    ----------
    mixture : Mixture
        The likelihood.
    start : (float, float), optional
        A point near the maximum, where one is known: the search over taus is then left out.

    """
    if start is None:
        taus = np.array(mixture.taus)
        mus, values = np.empty_like(taus), np.empty_like(taus)
        mus[1:], values[1:] = best_mu(mixture, taus[1:], mixture.start(taus[1:]))
        mus[0] = mixture.best_without_spread()
        values[0] = mixture.value(mus[:1], taus[:1])[0]
    else:
        taus = np.array([start[1]])
        mus, values = np.array([start[0]]), mixture.value(np.array([start[0]]), taus)
    best = int(np.argmax(values))
    mu, tau, value = float(mus[best]), float(taus[best]), float(values[best])
    # What is highest at tau = 0 may be the foot of a hill: the climb then starts from the first tau beside it.
    begin = best if taus[best] > 0.0 or len(taus) == 1 else best + 1
    near = float(mus[begin]), float(taus[begin])
    found = _newton(mixture, *near)
    if found is None or found[2] < float(values[begin]):
        found = _climb(mixture, *near)
    if found[2] > value:
        mu, tau, value = found
    if start is None and value - values[0] < SAME:
        mu, tau, value = float(mus[0]), 0.0, float(values[0])
    limit = mixture.limit_top()
    if limit is not None and limit[0] > value + SAME:
        return Top(math.inf, math.inf, *limit, taus, mus, values)
    mean = float(mixture.mean(np.array([mu]), np.array([tau]))[0])
    return Top(mu, tau, value, mean, taus, mus, values)


def best_mu(mixture: Mixture, tau: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Maximise over mu at each tau by safeguarded Newton steps; mu stops at the mixture's limits."""
    low, high = mixture.limits(tau)
    mu = np.clip(start, low, high)
    value = np.empty(len(mu))
    longest = 1.0 + tau
    active = np.arange(len(mu))
    value[:], slope, bend = mixture.line(mu, tau)
    for _ in range(60):
        downhill = bend < 0.0
        newton = np.where(downhill, -slope / np.where(downhill, bend, -1.0), np.where(slope < 0.0, -np.inf, np.inf))
        step = np.clip(newton, -longest[active], longest[active])
        moved = np.clip(mu[active] + step, low[active], high[active])
        there, there_slope, there_bend = mixture.line(moved, tau[active])
        better = there >= value[active]
        longest[active] = np.where(better, 2.0 * longest[active], 0.25 * np.abs(moved - mu[active]))
        near = np.abs(moved - mu[active]) <= _GRID_TOLERANCE * (1.0 + tau[active])
        settled = near | (better & (there - value[active] <= _NO_GAIN))
        mu[active] = np.where(better, moved, mu[active])
        value[active] = np.where(better, there, value[active])
        slope, bend = np.where(better, there_slope, slope), np.where(better, there_bend, bend)
        active, slope, bend = active[~settled], slope[~settled], bend[~settled]
        if not len(active):
            break
    return mu, value


def _newton(mixture: Mixture, mu: float, tau: float) -> tuple[float, float, float] | None:
    """Take plain Newton steps; None unless they settle on a hill inside the model."""
    for _ in range(8):
        here = mixture.surface(np.array([mu]), np.array([tau]))
        a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
        step = _ascent(here)
        length = float(np.hypot(*step))
        if not (a < 0.0 and a * c - b * b > 1e-12 * abs(a * c) and length < 0.5 * (1.0 + tau) and tau + step[1] > 0.0):
            return None
        mu, tau = mu + float(step[0]), tau + float(step[1])
        if mixture.closed_below and mu < 1e-2 * tau:
            return None
        if length < 1e-8 * (1.0 + tau):
            return mu, tau, float(here.l[0])
    return None


def _climb(mixture: Mixture, mu: float, tau: float) -> tuple[float, float, float]:
    """Climb by Newton steps in both, falling back to the gradient where the surface is not a hill."""
    here = mixture.surface(np.array([mu]), np.array([tau]))
    looked_aside = False
    for _ in range(_STEPS):
        step = _ascent(here)
        scale = 1.0 + tau
        length = float(np.hypot(*step))
        if length > scale:
            step = step * scale / length
        moved = False
        for _ in range(30):
            low, high = (float(end[0]) for end in mixture.limits(np.array([max(tau + step[1], 0.0)])))
            new_mu = min(max(mu + step[0], low), high)
            new_tau = min(max(tau + step[1], 0.25 * tau), mixture.taus[-1])
            there = mixture.surface(np.array([new_mu]), np.array([new_tau]))
            if there.l[0] > here.l[0]:
                moved = True
                break
            if np.hypot(*step) < 1e-12 * scale:
                break
            step = 0.5 * step
        if not moved:
            break
        change = abs(new_mu - mu) + abs(new_tau - tau)
        mu, tau, here = new_mu, new_tau, there
        if mixture.closed_below and mu <= 0.5 * tau and not looked_aside:
            mu, tau, value = _fold(mixture, mu, tau, float(here.l[0]))
            if mu == 0.0:
                return mu, tau, value
            looked_aside = True
            here = mixture.surface(np.array([mu]), np.array([tau]))
        if change < 1e-5 * scale or tau < 1e-6:
            break
    return _settle(mixture, mu, tau, float(here.l[0]))


def _fold(mixture: Mixture, mu: float, tau: float, value: float) -> tuple[float, float, float]:
    """Give the maximum along mu = 0 where that is a maximum, else the highest point found beside it.

    Along mu = 0 the surface is flat to third order, so that no Newton step in mu arrives there, and only points some
    way aside, each at its own best tau, tell a maximum from a pass.
    """
    aside = np.array([0.0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8]) * math.hypot(mu, tau)
    taus = np.sqrt(max(mu * mu + tau * tau, 1e-12) - aside * aside)
    for _ in range(_STEPS):
        here = mixture.surface(aside, taus)
        newton = np.where(here.lss < 0.0, -here.ls / np.where(here.lss < 0.0, here.lss, -1.0), np.sign(here.ls) * taus)
        moved = np.clip(taus + newton, 0.5 * taus, np.minimum(2.0 * taus, mixture.taus[-1]))
        change = np.abs(moved - taus)
        taus = moved
        if np.all(change <= 1e-9 * taus):
            break
    heights = mixture.value(aside, taus)
    best = int(np.argmax(heights))
    if heights[0] >= max(float(heights[best]), value) - 1e-11:
        return 0.0, float(taus[0]), float(heights[0])
    return (mu, tau, value) if value > heights[best] else (float(aside[best]), float(taus[best]), float(heights[best]))


def _settle(mixture: Mixture, mu: float, tau: float, value: float) -> tuple[float, float, float]:
    """Finish on the gradient, which still tells points apart where the likelihood's own digits have run out."""
    for _ in range(4):
        here = mixture.surface(np.array([mu]), np.array([tau]))
        a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
        step = _ascent(here)
        if not (a < 0.0 and a * c - b * b > 0.0 and np.hypot(*step) < 1e-2 * (1.0 + tau) and tau + step[1] > 0.0):
            break
        mu, tau, value = mu + float(step[0]), tau + float(step[1]), float(here.l[0])
    return float(mu), float(tau), value


def _ascent(here: Surface) -> FloatArray:
    gradient = np.array([here.lm[0], here.ls[0]])
    a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
    determinant = a * c - b * b
    if a < 0.0 and determinant > 1e-12 * abs(a * c):
        return np.array([b * gradient[1] - c * gradient[0], b * gradient[0] - a * gradient[1]]) / determinant
    size = float(np.hypot(*gradient))
    return gradient / size if size > 0.0 else gradient
