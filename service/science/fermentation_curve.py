"""A falling sigmoid through gravity readings, with an interval for where it ends."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import leastsq
from scipy.special import expit, logit

from service.science import gravity, sugar
from service.science.checks import FloatArray
from service.science.fermentation_misfit import Misfit, bounded
from service.science.intervals import Interval

MOST_BLOCKS: Final = 150
"""More readings than this are taken together in blocks, each by its median."""

_SET_ASIDE: Final = 5.0
"""A reading this many uncertainties off the curve takes no part in the final fit."""

_NORMAL_95: Final = 1.959963984540054
_CHI_SQUARE_95: Final = _NORMAL_95**2

Slopes = Callable[[], FloatArray]

_EXPECTED: Final = np.array([0, 2, 3, 4])
"""The elements of a fit about which something is expected; nothing is of the final gravity."""

_OF_EXPECTED: Final = np.eye(5)[_EXPECTED]

# Weak expectations that decide only where the readings don't: how steep the fall sets in (0.1 in an hour, give or take
# a factor of 6), and whether it tails off slower than it began (by half, give or take a factor of 4). Judgements.
_USUAL_STEEPNESS: Final = (math.log(0.1), math.log(6.0))
_USUAL_TAIL: Final = (math.log(0.5), math.log(4.0))


_TOUCH: Final = 0.02


@dataclass(frozen=True, slots=True)
class FermentationCurve:
    """sg(t) = final + (starting - final) [1 + exp(steepness (t - centre))]^(-tail), t in hours."""

    starting_sg: float
    final_sg: float
    centre_h: float
    steepness_per_h: float
    tail: float

    def sg(self, at_h: FloatArray) -> FloatArray:
        """Gravity at times in hours."""
        return self.final_sg + (self.starting_sg - self.final_sg) * _left(
            at_h, self.centre_h, self.steepness_per_h, self.tail
        )

    def drop_per_h(self, at_h: FloatArray) -> FloatArray:
        """Fall of gravity in an hour at times in hours."""
        left = _left(at_h, self.centre_h, self.steepness_per_h, self.tail)
        falling: FloatArray = left * expit(self.steepness_per_h * (at_h - self.centre_h))
        return (self.starting_sg - self.final_sg) * self.tail * self.steepness_per_h * falling

    def fastest_at_h(self) -> float:
        """Time of the fastest fall: the sigmoid's inflection."""
        return self.centre_h - math.log(self.tail) / self.steepness_per_h

    def lag_h(self) -> float:
        """Time at which the tangent of the fastest fall leaves the starting gravity."""
        turn = self.tail / (self.tail + 1.0)
        before: float = (1.0 - turn**self.tail) / turn ** (self.tail + 1.0)
        return self.fastest_at_h() - before / self.steepness_per_h


@dataclass(frozen=True, slots=True)
class CurveFit:
    """A fitted curve, the 95 % interval of its end, and how far the readings scatter about it.

    `off_curve` are the positions of readings that took no part; `scatter` is in units of the reading uncertainty.
    """

    curve: FermentationCurve
    final_sg: Interval
    off_curve: tuple[int, ...]
    scatter: float


def fit_curve(at_h: FloatArray, sg: FloatArray, reading_uncertainty_sg: float) -> CurveFit:
    """Fit a falling sigmoid to gravity readings by weighted, outlier-resistant least squares.

    Parameters
    ----------
    at_h, sg : ndarray
        Times in hours, rising, at least four different ones; specific gravities.
    reading_uncertainty_sg : float
        Standard uncertainty of each reading, above 0.

    References
    ----------
    A logistic with a tail exponent (a Richards curve): common practice for attenuation curves, no source. Pseudo-Huber
    loss; profile-likelihood interval for the final gravity, between the gravity with no extract left (Balling) and the
    lowest readings.

    """
    data = _Readings.of(at_h, sg, reading_uncertainty_sg)
    best = data.search()
    off = np.abs(data.beside(best).off) > _SET_ASIDE * data.scatter(best) * data.spread
    if off.any() and (~off).sum() >= 4:
        data = data.without(off)
        best = data.search()
    scatter = data.scatter(best)
    curve = _curve(best)
    far = np.abs(curve.sg(at_h) - sg) > _SET_ASIDE * scatter * reading_uncertainty_sg
    return CurveFit(curve, data.interval(best, scatter), tuple(np.flatnonzero(far).tolist()), scatter)


@dataclass(frozen=True, slots=True)
class _Readings:
    """Readings (or blocks of them) and what is known before fitting.

    A fit is a vector: starting gravity, final gravity, centre, log steepness, log tail.
    """

    at_h: FloatArray
    sg: FloatArray
    spread: FloatArray
    uncertainty: float
    floor: float
    top: float
    expected: FloatArray
    give: FloatArray

    @classmethod
    def of(cls, at_h: FloatArray, sg: FloatArray, uncertainty: float) -> "_Readings":
        """Take in readings, in blocks where there are many."""
        count = len(at_h)
        # Of many readings the second highest of the first fifth is a start that one wild reading can't set.
        early = np.sort(sg[: max(count // 5, 3)])
        top = float(early[-2] if count >= 5 else early[-1])
        spread = np.full(count, uncertainty)
        if count > MOST_BLOCKS:
            blocks = np.array_split(np.arange(count), MOST_BLOCKS)
            sizes = np.array([len(block) for block in blocks])
            # Readings of one instrument share part of their error, so a block never counts for more than nine of them.
            spread = uncertainty * np.maximum(np.sqrt(0.5 * np.pi / sizes), 1.0 / 3.0)
            at_h, sg = (np.array([np.median(values[block]) for block in blocks]) for values in (at_h, sg))
        floor = min(_dry(top), float(np.sort(sg)[:3].mean()) - uncertainty)
        half_way = float(at_h[np.argmin(np.abs(sg - 0.5 * (top + sg.min())))])
        return cls(
            at_h,
            sg,
            spread,
            uncertainty,
            floor,
            top,
            expected=np.array([top, half_way, _USUAL_STEEPNESS[0], _USUAL_TAIL[0]]),
            give=np.array(
                [
                    3.0 * uncertainty + 0.05 * (top - floor),
                    float(at_h[-1] - at_h[0]) + 24.0,
                    _USUAL_STEEPNESS[1],
                    _USUAL_TAIL[1],
                ]
            ),
        )

    def without(self, off: npt.NDArray[np.bool_]) -> "_Readings":
        """Leave readings out."""
        return replace(self, at_h=self.at_h[~off], sg=self.sg[~off], spread=self.spread[~off])

    def beside(self, fit: FloatArray) -> Misfit:
        """Set the readings beside the curve of a fit."""
        return Misfit(fit, self.at_h, self.sg, self.spread)

    def misfit(self, fit: FloatArray) -> FloatArray:
        """Misfits of the readings, tempered by the loss, and of the weak expectations."""
        return self._with_expectations(self.beside(fit), fit)

    def slopes(self, fit: FloatArray) -> FloatArray:
        """Derivatives of `misfit` (rows) in the elements of a fit (columns)."""
        return self._slopes(self.beside(fit))

    def _with_expectations(self, found: Misfit, fit: FloatArray) -> FloatArray:
        return np.concatenate((found.tempered(), (fit[_EXPECTED] - self.expected) / self.give))

    def _slopes(self, found: Misfit) -> FloatArray:
        count = len(self.at_h)
        table = np.empty((count + len(_EXPECTED), 5))
        found.fill_slopes(table[:count])
        table[count:] = _OF_EXPECTED / self.give[:, None]
        return table

    def deviance(self, fit: FloatArray) -> float:
        """Twice the fall of log-likelihood and expectations from a perfect fit."""
        return float(np.sum(self.misfit(fit) ** 2))

    def scatter(self, fit: FloatArray) -> float:
        """Scatter about a fit over the stated uncertainty, never below 1: too few readings can't prove it smaller."""
        spare = len(self.at_h) - 4
        if spare < 2:
            return 1.0
        tempered = self.beside(fit).tempered()
        return max(1.0, float(np.sqrt(np.sum(tempered**2) / spare)))

    def search(self) -> FloatArray:
        """Best fit from several starts: an even fall, a sudden one that tails off, and one still to come."""
        half, lowest = float(self.expected[1]), float(self.sg.min())
        fall = max(self.top - lowest, 1e-4)
        starts = (
            (self.top, lowest - 0.1 * fall, half, self.expected[2], 0.0),
            (self.top, lowest - 0.1 * fall, 0.5 * (half + self.at_h[0]), math.log(0.3), math.log(0.2)),
            (self.top, lowest - fall, half + 12.0, self.expected[2], 0.0),
        )
        found = [self._free(np.array(start)) for start in starts]
        return min(found, key=self.deviance)

    def interval(self, best: FloatArray, scatter: float) -> Interval:
        """Final gravities that the readings don't contradict: a profile over everything else.

        Readings of one instrument share some of its error, so the end is never known better than one reading.
        """
        estimate = float(best[1])
        limit = _CHI_SQUARE_95 * scatter * scatter
        ceiling = max(estimate, float(np.sort(self.sg)[:2].mean()) + 3.0 * scatter * float(self.spread[-1]))
        shared = _NORMAL_95 * self.uncertainty
        below = math.hypot(estimate - self._limit(best, limit, self.floor), shared)
        above = math.hypot(self._limit(best, limit, ceiling) - estimate, shared)
        return Interval(estimate, max(estimate - below, min(self.floor, estimate)), estimate + above)

    def _limit(self, best: FloatArray, limit: float, end: float) -> float:
        """Final gravity from the best towards `end` at which the profile rises by `limit`; `end` if it never does.

        The profile's root is nearly straight, so regula falsi on it needs few steps.
        """
        lowest, root = self.deviance(best), limit**0.5
        inside, inside_root = float(best[1]), 0.0
        outside = end
        fit, outside_root = self._held(best, end, lowest)
        if outside_root <= root:
            return end
        for _ in range(5):
            share = min(max((root - inside_root) / (outside_root - inside_root), 0.1), 0.9)
            tried = inside + share * (outside - inside)
            fit, tried_root = self._held(fit, tried, lowest)
            if tried_root <= root:
                inside, inside_root = tried, tried_root
            else:
                outside, outside_root = tried, tried_root
            if abs(tried_root - root) < 0.05 or abs(outside - inside) < 1e-4:
                break
        reached: float = inside + (root - inside_root) / (outside_root - inside_root) * (outside - inside)
        return reached

    def _free(self, start: FloatArray) -> FloatArray:
        """Fit everything, the final gravity kept between floor and starting gravity by a logit.

        A touch of the logit's own size joins the misfit, so that it can't run off to where nothing changes any more.
        """
        touch = np.array([[0.0, _TOUCH, 0.0, 0.0, 0.0]])

        def whole(place: FloatArray) -> FloatArray:
            fit = place.copy()
            fit[1] = self.floor + max(place[0] - self.floor, 1e-3) * expit(place[1])
            return fit

        def there(place: FloatArray) -> tuple[FloatArray, Slopes]:
            fit = whole(place)
            found = self.beside(fit)

            def slopes() -> FloatArray:
                table = self._slopes(found)
                share = expit(place[1])
                table[:, 0] += share * table[:, 1]
                table[:, 1] *= max(place[0] - self.floor, 1e-3) * share * (1.0 - share)
                return np.concatenate((table, touch))

            return np.concatenate((self._with_expectations(found, fit), _TOUCH * place[1:2])), slopes

        begin = start.copy()
        begin[1] = logit(np.clip((start[1] - self.floor) / (start[0] - self.floor), 0.05, 0.95))
        return np.array(bounded(whole(_minimise(there, begin))))

    def _held(self, near: FloatArray, final: float, lowest: float) -> tuple[FloatArray, float]:
        """Best fit with the final gravity held, and the root of its deviance's rise."""

        def whole(others: FloatArray) -> FloatArray:
            fit = np.full(5, final)
            fit[_EXPECTED] = others
            return fit

        def there(others: FloatArray) -> tuple[FloatArray, Slopes]:
            fit = whole(others)
            found = self.beside(fit)
            return self._with_expectations(found, fit), lambda: self._slopes(found)[:, _EXPECTED]

        found = whole(_minimise(there, near[_EXPECTED]))
        return found, max(self.deviance(found) - lowest, 0.0) ** 0.5


def _dry(original_sg: float) -> float:
    """Gravity with no extract left: apparent extract at which Balling's real extract is nought."""
    original = float(sugar.plato_from_sg(max(original_sg, 1.001)))
    apparent = original * (1.0 - 1.0 / gravity.ATTENUATION_COEFFICIENT)
    return float(sugar.unchecked_sg(max(apparent, sugar.PLATO_LOW)))


def _minimise(there: Callable[[FloatArray], tuple[FloatArray, Slopes]], start: FloatArray) -> FloatArray:
    """Find the place with the least squares; `there` gives the misfits at one, and how to get the slopes at it."""
    last, values, slopes_there = start.tobytes(), *there(start)
    table = None

    # MINPACK asks for the slopes where it asked for the misfits last, and first for both twice.
    def misfit(place: FloatArray) -> FloatArray:
        nonlocal last, values, slopes_there, table
        if (asked := place.tobytes()) != last:
            (values, slopes_there), last, table = there(place.copy()), asked, None
        return values

    def slopes(place: FloatArray) -> FloatArray:
        nonlocal table
        misfit(place)
        if table is None:
            table = slopes_there()
        return table

    # MINPACK's own door: the newer one wraps every evaluation in bookkeeping that costs more than the evaluation.
    found: FloatArray = leastsq(
        misfit,
        start,
        Dfun=slopes,
        full_output=True,  # else running out of evaluations is a warning; the best so far is good enough to compare
        ftol=1e-6,
        xtol=1e-5,
        gtol=1e-8,
        maxfev=60,
    )[0]
    return found


def _left(at_h: FloatArray, centre: float, steepness: float, tail: float) -> FloatArray:
    left: FloatArray = np.exp(-tail * np.logaddexp(0.0, steepness * (at_h - centre)))
    return left


def _curve(fit: FloatArray) -> FermentationCurve:
    start, final, centre, log_steepness, log_tail = bounded(fit)
    return FermentationCurve(start, final, centre, math.exp(log_steepness), math.exp(log_tail))
