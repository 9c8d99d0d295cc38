"""The maximum of a mixture's likelihood, its edges included."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.pooling.mixture import NEARLY_ZERO_TAU, Mixture, Surface
from service.science.pooling.together import Search, line, run, surface, value

FloatArray = npt.NDArray[np.float64]

SAME = 1e-9
"""Log-likelihoods no further apart than this are one."""

Point = tuple[float, float, float]
"""mu, tau and the log-likelihood there."""

_GRID_TOLERANCE = 1e-5
_NO_GAIN = 1e-10
_FLAT = 1e-10
"""A slope that leads nowhere: at an end of the model, where every household guesses or every one knows."""

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


def maximise(mixture: Mixture) -> Top:
    """Find the maximum over mu and tau >= 0, tau = 0 included.

    Parameters
    ----------
    mixture : Mixture
        The likelihood.

    """
    return run(mixture, highest(mixture))


def highest(mixture: Mixture, near: Top | None = None) -> Search[Top]:
    """Search for the maximum.

    Parameters
    ----------
    mixture : Mixture
        The likelihood.
    near : Top, optional
        The maximum of a mixture little different, whose best mus are good guesses at this one's.

    """
    taus = np.array(mixture.taus)
    mus, values = np.empty_like(taus), np.empty_like(taus)
    start = mixture.start(taus[1:]) if near is None else near.mus[1:]
    mus[1:], values[1:] = yield from best_mu(mixture, taus[1:], start)
    mus[0] = mixture.best_without_spread()
    values[0] = mixture.without_spread(mus[:1])[0]
    best = int(np.argmax(values))
    top = float(mus[best]), float(taus[best]), float(values[best])
    # What is highest at tau = 0 may be the foot of a hill: the climb then starts from the first tau beside it.
    begin = max(best, 1)
    found = yield from _newton(mixture, float(mus[begin]), float(taus[begin]))
    if found is None or found[2] < float(values[begin]):
        found = yield from _climb(mixture, float(mus[begin]), float(taus[begin]))
    if found[2] > top[2]:
        top = found
    if top[2] - values[0] < SAME:
        top = float(mus[0]), 0.0, float(values[0])
    return _top(mixture, top, taus, mus, values)


def _top(mixture: Mixture, found: Point, taus: FloatArray, mus: FloatArray, values: FloatArray) -> Top:
    """Hold what was found against the limit of a boundless spread."""
    mu, tau, value_there = found
    limit = mixture.limit_top()
    if limit is not None and limit[0] > value_there + SAME:
        return Top(math.inf, math.inf, *limit, taus, mus, values)
    mean = float(mixture.mean(np.array([mu]), np.array([tau]))[0])
    return Top(mu, tau, value_there, mean, taus, mus, values)


def best_mu(mixture: Mixture, tau: FloatArray, start: FloatArray) -> Search[tuple[FloatArray, FloatArray]]:
    """Maximise over mu at each tau by safeguarded Newton steps; mu stops at the mixture's limits."""
    low, high = mixture.limits(tau)
    mu = np.clip(start, low, high)
    longest = 1.0 + tau
    stretch = np.ones(len(mu))
    before = np.zeros(len(mu))
    active = np.arange(len(mu))
    first, slope, bend = yield from line(mu, tau)
    here = first.copy()
    for _ in range(60):
        downhill = bend < 0.0
        newton = np.where(downhill, -slope / np.where(downhill, bend, -1.0), np.where(slope < 0.0, -np.inf, np.inf))
        # Towards an end of the model the likelihood flattens as an exponential does, and Newton's steps never shrink.
        again = np.isfinite(newton) & (np.abs(before[active] / np.where(newton == 0.0, 1.0, newton) - 1.0) < 0.2)
        stretch[active] = np.where(again, 2.0 * stretch[active], 1.0)
        before[active] = np.where(np.isfinite(newton), newton, 0.0)
        step = np.clip(newton * stretch[active], -longest[active], longest[active])
        moved = np.clip(mu[active] + step, low[active], high[active])
        there, there_slope, there_bend = yield from line(moved, tau[active])
        better = there >= here[active]
        longest[active] = np.where(better, 2.0 * longest[active], 0.25 * np.abs(moved - mu[active]))
        near = np.abs(moved - mu[active]) <= _GRID_TOLERANCE * (1.0 + tau[active])
        settled = near | (better & (there - here[active] <= _NO_GAIN))
        mu[active] = np.where(better, moved, mu[active])
        here[active] = np.where(better, there, here[active])
        slope, bend = np.where(better, there_slope, slope), np.where(better, there_bend, bend)
        active, slope, bend = active[~settled], slope[~settled], bend[~settled]
        if not len(active):
            break
    return mu, here


def _newton(mixture: Mixture, mu: float, tau: float) -> Search[Point | None]:
    """Take plain Newton steps; None unless they settle on a hill inside the model, or on its flat outskirts."""
    for _ in range(8):
        here = yield from surface(np.array([mu]), np.array([tau]))
        a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
        step = _ascent(here)
        length = float(np.hypot(*step))
        if math.hypot(float(here.lm[0]), float(here.ls[0])) < _FLAT:
            return mu, tau, float(here.l[0])
        if not (a < 0.0 and a * c - b * b > 1e-12 * abs(a * c) and length < 0.5 * (1.0 + tau) and tau + step[1] > 0.0):
            return None
        mu, tau = mu + float(step[0]), tau + float(step[1])
        if mixture.closed_below and mu < 1e-2 * tau:
            return None
        if length < 1e-8 * (1.0 + tau):
            return mu, tau, float(here.l[0])
    return None


def _climb(mixture: Mixture, mu: float, tau: float) -> Search[Point]:
    """Climb by Newton steps in both, falling back to the gradient where the surface is not a hill."""
    here = yield from surface(np.array([mu]), np.array([tau]))
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
            there = yield from surface(np.array([new_mu]), np.array([new_tau]))
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
            mu, tau, height = yield from _fold(mixture, mu, tau, float(here.l[0]))
            if mu == 0.0:
                return mu, tau, height
            looked_aside = True
            here = yield from surface(np.array([mu]), np.array([tau]))
        if change < 1e-5 * scale or tau < NEARLY_ZERO_TAU:
            break
    return (yield from _settle(mu, tau, float(here.l[0])))


def _fold(mixture: Mixture, mu: float, tau: float, height: float) -> Search[Point]:
    """Give the maximum along mu = 0 where that is a maximum, else the highest point found beside it.

    Along mu = 0 the surface is flat to third order, so that no Newton step in mu arrives there, and only points some
    way aside, each at its own best tau, tell a maximum from a pass.
    """
    aside = np.array([0.0, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8]) * math.hypot(mu, tau)
    taus = np.sqrt(max(mu * mu + tau * tau, 1e-12) - aside * aside)
    for _ in range(_STEPS):
        here = yield from surface(aside, taus)
        newton = np.where(here.lss < 0.0, -here.ls / np.where(here.lss < 0.0, here.lss, -1.0), np.sign(here.ls) * taus)
        moved = np.clip(taus + newton, 0.5 * taus, np.minimum(2.0 * taus, mixture.taus[-1]))
        change = np.abs(moved - taus)
        taus = moved
        if np.all((change <= 1e-9 * taus) | (taus < NEARLY_ZERO_TAU)):
            break
    heights = yield from value(aside, taus)
    best = int(np.argmax(heights))
    if heights[0] >= max(float(heights[best]), height) - 1e-11:
        return 0.0, float(taus[0]), float(heights[0])
    return (
        (mu, tau, height) if height > heights[best] else (float(aside[best]), float(taus[best]), float(heights[best]))
    )


def _settle(mu: float, tau: float, height: float) -> Search[Point]:
    """Finish on the gradient, which still tells points apart where the likelihood's own digits have run out."""
    for _ in range(4):
        here = yield from surface(np.array([mu]), np.array([tau]))
        a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
        step = _ascent(here)
        if not (a < 0.0 and a * c - b * b > 0.0 and np.hypot(*step) < 1e-2 * (1.0 + tau) and tau + step[1] > 0.0):
            break
        mu, tau, height = mu + float(step[0]), tau + float(step[1]), float(here.l[0])
    return float(mu), float(tau), height


def _ascent(here: Surface) -> FloatArray:
    gradient = np.array([here.lm[0], here.ls[0]])
    a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
    determinant = a * c - b * b
    if a < 0.0 and determinant > 1e-12 * abs(a * c):
        return np.array([b * gradient[1] - c * gradient[0], b * gradient[0] - a * gradient[1]]) / determinant
    size = float(np.hypot(*gradient))
    return gradient / size if size > 0.0 else gradient
