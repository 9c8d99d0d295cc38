"""Profile-likelihood intervals of a mixture, its edges included."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.pooling.maximum import SAME, Top, best_mu
from service.science.pooling.mixture import Mixture
from service.science.pooling.together import Search, line, surface, value

FloatArray = npt.NDArray[np.float64]

_MANY_HOUSEHOLDS = 300
"""From here on the likelihood is smooth enough for its ends to be sought from the top directly."""

_NEAR_ENOUGH = 0.1
_CLEAR = 1e-3
"""How far from a guessed mu the likelihood may be carried by its derivatives, and below what it must then stay."""

_ROUNDS = 5
_HALVINGS = 60
_ZOOMS = 18
_POINTS = 9
_FLAT_TAU = 0.02
"""Below it the mean at the level changes with tau squared alone, so that tau = 0 ahead of it is the end."""


@dataclass(frozen=True, slots=True)
class End:
    """An end of a profile interval; `bounded` is false where the search met its own limits."""

    value: float
    mu: float
    tau: float
    bounded: bool


@dataclass(frozen=True, slots=True)
class MeanEnd:
    """An end of the mean; `met` is where the level was met at the mixture's own taus, None where none was looked at."""

    end: End
    met: FloatArray | None


@dataclass(frozen=True, slots=True)
class _Slices:
    """At each tau looked at, the mu on one side of the top at which the log-likelihood falls to the level."""

    mu: FloatArray
    value: FloatArray
    bounded: npt.NDArray[np.bool_]


def mean_end(mixture: Mixture, top: Top, level: float, side: int, near: MeanEnd | None = None) -> Search[MeanEnd]:
    """Search for the largest (side 1) or smallest (side -1) headline mean among points with log-likelihood >= level.

    Parameters
    ----------
    mixture : Mixture
        The likelihood.
    top : Top
        Its maximum.
    level : float
        The log-likelihood at the interval's ends.
    side : int
        1 for the upper end, -1 for the lower.
    near : MeanEnd, optional
        The same end of a mixture little different, to start from.

    """
    direct = yield from _direct_end(mixture, top, level, side, None if near is None else near.end)
    if direct is not None:
        return MeanEnd(direct, None)
    if side < 0 and top.mean == 0.0:
        return MeanEnd(End(0.0, top.mu, top.tau, bounded=False), None)
    taus, mus = _with_top(top)
    best = End(top.mean, top.mu, top.tau, bounded=True)
    limit = mixture.limit_end(level, side)
    corner = (yield from _corner(mixture, taus, level, side)) if mixture.closed_below else None
    hints = _at_taus(None if near is None else near.met, mixture, taus)
    met: FloatArray | None = None
    for _ in range(_ZOOMS):
        ends = yield from _slice_ends(mixture, taus, mus, level, side, hints)
        met = ends.mu[np.isin(taus, mixture.taus)] if met is None else met
        pick = int(np.argmax(np.where(np.isfinite(ends.value), side * ends.value, -np.inf)))
        if side * ends.value[pick] >= side * best.value:
            best = End(float(ends.value[pick]), float(ends.mu[pick]), float(taus[pick]), bool(ends.bounded[pick]))
        low, high = float(taus[max(pick - 1, 0)]), float(taus[min(pick + 1, len(taus) - 1)])
        polished = None
        if best.bounded and 0.0 < best.tau < math.inf:
            polished = yield from _polish(mixture, best.mu, best.tau, level, side, by_mean=True)
            if polished is not None and not (
                low <= polished.tau <= high and side * (polished.value - best.value) >= -1e-10
            ):
                polished = None
        edge = best if not best.bounded else _edge(polished or best, limit, corner, side)
        settled = edge or polished
        if settled is None and best.tau == mixture.taus[-1] and (yield from _grows(best, side)):
            settled = best
        if settled is not None:
            return MeanEnd(settled, met)
        if (best.tau == 0.0 and high <= _FLAT_TAU) or high - low <= 1e-9 * (1.0 + high):
            break
        fresh = np.linspace(low, high, _POINTS)
        mus, _ = yield from best_mu(mixture, fresh, np.interp(fresh, taus, mus))
        hints, taus = np.interp(fresh, taus, ends.mu), fresh
    return MeanEnd(best, met)


def _direct_end(mixture: Mixture, top: Top, level: float, side: int, near: End | None) -> Search[End | None]:
    """Step to the end from one near it or from the top; None where that fails, or where a slice goes beyond it."""
    if not 0.0 < top.tau < math.inf:
        return None
    if near is not None and 0.0 < near.tau < math.inf and not (mixture.closed_below and near.mu == 0.0):
        start = near.mu, near.tau
    else:
        start = yield from _from_top(top, level, side)
    found = yield from _polish(mixture, *start, level, side, by_mean=True)
    if found is None or side * (found.value - top.mean) <= 0.0:
        return None
    if mixture.times.sum() >= _MANY_HOUSEHOLDS:
        return found
    limit = mixture.limit_end(level, side)
    if limit is not None and side * limit >= side * found.value:
        return None
    beyond = yield from _is_passed(mixture, top, found.value, level, side)
    return None if beyond else found


def _is_passed(mixture: Mixture, top: Top, mean: float, level: float, side: int) -> Search[bool]:
    """Whether some slice that was looked at has, or could have, points at the level beyond a mean."""
    reached = np.flatnonzero(top.log_likelihoods >= level)
    taus, best = top.taus[reached], top.mus[reached]
    mu = mixture.mu_near_mean(mean, taus)
    solved = ~np.isnan(mu)
    # A slice without such a mean lies wholly above it.
    if side > 0 and not solved.all():
        return True
    taus, best, mu = taus[solved], best[solved], mu[solved]
    if not len(taus):
        return False
    here = yield from surface(mu, taus)
    off = (mean - here.t) / here.tm
    there = here.l + off * (here.lm + 0.5 * off * here.lmm)
    inside = side * (mu + off - best) > 0.0
    return not bool(np.all(inside & (np.abs(off) < _NEAR_ENOUGH) & (there < level - _CLEAR)))


def _at_taus(near: FloatArray | None, mixture: Mixture, taus: FloatArray) -> FloatArray:
    """Give what is known of the mixture's own taus at these ones, NaN at others."""
    hints = np.full(len(taus), np.nan)
    if near is not None:
        own = np.isin(taus, mixture.taus)
        hints[own] = near
    return hints


def _grows(end: End, side: int) -> Search[bool]:
    """Whether the mean goes on along the level where tau rises: past the largest tau the search doesn't follow."""
    here = yield from surface(np.array([end.mu]), np.array([end.tau]))
    along = here.ts - here.tm * here.ls / np.where(here.lm == 0.0, np.nan, here.lm)
    return bool(side * along[0] > 0.0)


def _edge(best: End, limit: float | None, corner: End | None, side: int) -> End | None:
    """Give the end at an edge of the model that no slice goes beyond."""
    if limit is not None and side * limit >= side * best.value:
        return End(limit, math.inf, math.inf, bounded=True)
    if corner is not None and side * corner.value >= side * best.value - SAME:
        return corner
    return None


def _with_top(top: Top) -> tuple[FloatArray, FloatArray]:
    """Put the top among the taus looked at."""
    if top.tau == math.inf or top.tau in top.taus:
        return top.taus, top.mus
    place = int(np.searchsorted(top.taus, top.tau))
    return np.insert(top.taus, place, top.tau), np.insert(top.mus, place, top.mu)


def _corner(mixture: Mixture, taus: FloatArray, level: float, side: int) -> Search[End | None]:
    """Find the outermost tau that reaches the level with mu = 0.

    The likelihood and the mean both obey the heat equation, so that their contours touch along mu = 0 to third order:
    no search by slices can tell the points near such an end apart.
    """
    zero = np.zeros(1)
    reached = np.flatnonzero((yield from value(np.zeros(len(taus)), taus)) >= level)
    if not len(reached):
        return None
    edge = int(reached[-1] if side > 0 else reached[0])
    if not 0 <= edge + side < len(taus):
        return None
    inner, outer = float(taus[edge]), float(taus[edge + side])
    tau = 0.5 * (inner + outer)
    for _ in range(_HALVINGS):
        here = yield from surface(zero, np.array([tau]))
        inner, outer = (tau, outer) if here.l[0] >= level else (inner, tau)
        moved = tau + (level - float(here.l[0])) / float(here.ls[0]) if here.ls[0] else math.nan
        if not min(inner, outer) < moved < max(inner, outer):
            moved = 0.5 * (inner + outer)
        done = abs(moved - tau) <= 1e-13 * (1.0 + tau)
        tau = moved
        if done:
            break
    return End(float(mixture.mean(zero, np.array([tau]))[0]), 0.0, tau, bounded=True)


def _slice_ends(
    mixture: Mixture, tau: FloatArray, inside: FloatArray, level: float, side: int, hints: FloatArray
) -> Search[_Slices]:
    """Find, at each tau, the mu on one side at which the log-likelihood falls to the level; hints are guesses at it."""
    here = yield from value(inside, tau)
    feasible = here >= level
    low, high = mixture.limits(tau)
    limit = high if side > 0 else low
    near, far = inside.copy(), inside.copy()
    near_value, far_value = here.copy(), here.copy()
    step = 0.5 * (1.0 + tau)
    # From a little beyond a guess the end is bracketed at once.
    guessed = side * (hints - inside) > 0.0
    step[guessed] = 1.02 * np.abs(hints - inside)[guessed] + 1e-3
    open_ = feasible.copy()
    for _ in range(60):
        if not open_.any():
            break
        far[open_] = side * np.minimum(side * (far + side * step), side * limit)[open_]
        there = yield from value(far[open_], tau[open_])
        still = there >= level
        at = np.flatnonzero(open_)
        near[at[still]] = far[at[still]]
        near_value[at[still]], far_value[at] = there[still], there
        step = 2.0 * step
        open_[at] = still & (far[at] != limit[at])
    met = feasible & (near == limit)
    solve = np.flatnonzero(feasible & ~met)
    mu = near.copy()
    if len(solve):
        # The root of the fall is nearly linear in mu.
        start, here_near, here_far = (
            np.sqrt(np.maximum(here - each, 0.0))[solve] for each in (level, near_value, far_value)
        )
        share = (start - here_near) / np.maximum(here_far - here_near, 1e-300)
        first = near[solve] + np.clip(share, 0.02, 0.98) * (far - near)[solve]
        mu[solve] = yield from _bracketed(tau[solve], first, near[solve], far[solve], here[solve], level)
    means = np.where(feasible, mixture.mean(mu, tau), np.nan)
    return _Slices(np.where(feasible, mu, np.nan), means, ~met | (mixture.closed_below and side < 0))


def _bracketed(
    tau: FloatArray, mu: FloatArray, near: FloatArray, far: FloatArray, crest: FloatArray, level: float
) -> Search[FloatArray]:
    """Solve l(mu) = level between a point above the level and one below, by Newton kept inside the bracket.

    Newton's steps are taken on the root of the fall from the slice's crest, which is nearly linear in mu.
    """
    goal = np.sqrt(np.maximum(crest - level, 0.0))
    for _ in range(_HALVINGS):
        here, slope, _ = yield from line(mu, tau)
        above = here >= level
        near, far = np.where(above, mu, near), np.where(above, far, mu)
        fall = np.sqrt(np.maximum(crest - here, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            newton = mu + 2.0 * fall * (fall - goal) / slope
        between = (newton - near) * (newton - far) < 0.0
        # Where the step is down to rounding its sign says nothing, and halving would only lead away. On the crest
        # itself, which is flat where all may guess, there is no step to judge by.
        done = (np.abs(newton - mu) <= 1e-10 * (1.0 + tau)) & ((fall > 0.0) | (goal == 0.0))
        mu = np.where(done | between, newton, 0.5 * (near + far))
        if done.all():
            break
    return mu


def _from_top(top: Top, level: float, side: int) -> Search[tuple[float, float]]:
    """Step from the top to where its quadratic approximation has the end."""
    here = yield from surface(np.array([top.mu]), np.array([top.tau]))
    a, b, c = float(here.lmm[0]), float(here.lms[0]), float(here.lss[0])
    determinant = a * c - b * b
    if not (a < 0.0 and determinant > 0.0):
        return top.mu, top.tau
    gm, gs = float(here.tm[0]), float(here.ts[0])
    step = -np.array([c * gm - b * gs, a * gs - b * gm]) / determinant
    size = gm * step[0] + gs * step[1]
    step = step * side * math.sqrt(2.0 * (top.log_likelihood - level) / size) if size > 0.0 else step
    return top.mu + float(step[0]), max(top.tau + float(step[1]), 0.1 * top.tau)


def _polish(mixture: Mixture, mu: float, tau: float, level: float, side: int, *, by_mean: bool) -> Search[End | None]:
    """Solve l = level with the gradients of l and of the target parallel; None where Newton does not settle."""
    for _ in range(25):
        if not (1e-3 < tau <= mixture.taus[-1]) or (mixture.closed_below and mu <= 0.0):
            return None
        h = yield from surface(np.array([mu]), np.array([tau]))
        if by_mean:
            miss = h.tm * h.ls - h.ts * h.lm
            by_m = h.tmm * h.ls + h.tm * h.lms - h.tms * h.lm - h.ts * h.lmm
            by_s = h.tms * h.ls + h.tm * h.lss - h.tss * h.lm - h.ts * h.lms
        else:
            miss, by_m, by_s = h.lm, h.lmm, h.lms
        determinant = float((h.lm * by_s - h.ls * by_m)[0])
        if determinant == 0.0 or not math.isfinite(determinant):
            return None
        gap = level - float(h.l[0])
        step_mu = (gap * float(by_s[0]) + float(h.ls[0] * miss[0])) / determinant
        step_tau = (-float(h.lm[0] * miss[0]) - gap * float(by_m[0])) / determinant
        shrink = min(1.0, 0.5 * (1.0 + tau) / max(abs(step_mu) + abs(step_tau), 1e-300))
        mu, tau = mu + shrink * step_mu, tau + shrink * step_tau
        if shrink == 1.0 and abs(step_mu) + abs(step_tau) <= 1e-9 * (1.0 + tau):
            # At an end the likelihood falls where the mean goes on.
            if by_mean and side * float(h.tm[0] * h.lm[0] + h.ts[0] * h.ls[0]) > 0.0:
                return None
            found = float(mixture.mean(np.array([mu]), np.array([tau]))[0]) if by_mean else tau
            return End(found, mu, tau, bounded=True)
    return None


def tau_end(mixture: Mixture, top: Top, level: float, side: int) -> Search[End]:
    """Search for the largest (side 1) or smallest (side -1) tau whose best log-likelihood reaches the level.

    Parameters
    ----------
    mixture, top, level, side
        As in `mean_end`.

    """
    limit = mixture.limit_top()
    if side > 0 and limit is not None and limit[0] >= level:
        return End(math.inf, math.inf, math.inf, bounded=False)
    taus, mus = _with_top(top)
    values = top.log_likelihoods
    if len(taus) > len(values):
        values = np.insert(values, int(np.searchsorted(top.taus, top.tau)), top.log_likelihood)
    reached = np.flatnonzero(values >= level)
    if not len(reached):
        return End(float(taus[-1]) if side < 0 else math.inf, math.inf, math.inf, bounded=False)
    edge = int(reached[-1] if side > 0 else reached[0])
    if (side > 0 and edge == len(taus) - 1) or (side < 0 and edge == 0):
        return End(math.inf if side > 0 else 0.0, float(mus[edge]), float(taus[edge]), bounded=False)
    for _ in range(_ROUNDS + 3):
        beyond = edge + side
        guess_tau = 0.5 * float(taus[edge] + taus[beyond])
        polished = yield from _polish(mixture, float(mus[edge]), guess_tau, level, side, by_mean=False)
        inner, outer = float(taus[edge]), float(taus[beyond])
        if polished is not None and min(inner, outer) <= polished.tau <= max(inner, outer):
            return polished
        fresh = np.linspace(min(inner, outer), max(inner, outer), _POINTS)
        mus, values = yield from best_mu(mixture, fresh, np.interp(fresh, taus, mus))
        taus = fresh
        reached = np.flatnonzero(values >= level)
        edge = int(reached[-1] if side > 0 else reached[0]) if len(reached) else (0 if side > 0 else _POINTS - 1)
        edge = min(max(edge, 0 if side > 0 else 1), _POINTS - 2 if side > 0 else _POINTS - 1)
    return End(float(taus[edge]), float(mus[edge]), float(taus[edge]), bounded=True)
