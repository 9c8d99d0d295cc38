"""How far a ferment has come, from its gravity readings."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from service.science import fermentation_words as words
from service.science import sugar
from service.science.checks import FloatArray, number
from service.science.errors import InputError
from service.science.fermentation_curve import CurveFit, FermentationCurve, fit_curve
from service.science.intervals import Interval

State = Literal["lagging", "active", "slowing", "finished", "stalled"]

FEWEST_FOR_A_CURVE: Final = 4
MOST_READINGS: Final = 10_000

STEADY_H: Final = 48.0
"""Readings this far apart must agree before a ferment counts as finished or stalled: common practice, no source."""

LONGEST_LAG_H: Final = 72.0
"""Without any fall for this long a ferment counts as stalled: common practice, no source."""

FINISHED_ATTENUATION_PERCENT: Final = 70.0
"""A steady ferment counts as finished from this apparent attenuation: common practice, no source. Calling a slow one
stalled costs a check; calling a stalled one finished costs bottles."""

CAUTION: Final = (
    "Bottles filled before the ferment has ended can burst. "
    "Degas samples before reading them, and leave the gas a way out."
)

_LOW_ENOUGH_SG: Final = 1.010
"""A steady gravity this low counts as finished where the original isn't known: common practice, no source."""

_STARTS_WITHIN_H: Final = 24.0
"""A first reading later than this isn't the original gravity."""

_GRACE_H: Final = 1.0
"""Nobody reads to the minute."""

_BLOCKS: Final = 60
"""More readings than this are looked at in so many blocks, each by its median, for how long they have been steady."""

_SLOWING_SHARE: Final = 1.0 / 3.0
_POINTS: Final = 60


@dataclass(frozen=True, slots=True)
class GravityReading:
    """One reading: hours since pitching, specific gravity 20/20 °C, and the ferment's temperature if known."""

    at_h: float
    sg: float
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One point of the fitted curve."""

    at_h: float
    sg: float


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a ferment stands.

    What too few readings can't show is None: the curve needs four. `lag_h` is also None where the gravity was falling
    before the first reading, or that is later than the first day. `off_curve` are the positions of the readings that
    the curve passes by.
    """

    state: State
    reading: str
    latest_sg: float
    apparent_attenuation_percent: float | None
    curve: FermentationCurve | None
    points: tuple[CurvePoint, ...]
    projected_final_sg: Interval | None
    lag_h: float | None
    fastest_drop_sg_per_day: float | None
    present_drop_sg_per_day: float | None
    off_curve: tuple[int, ...]


def progress(
    readings: Sequence[GravityReading],
    reading_uncertainty_sg: float = 0.001,
    expected_final_sg: float | None = None,
) -> Progress:
    """Fit a falling curve to gravity readings and say what state the ferment is in.

    States, by rule: no fall beyond three uncertainties is `lagging` (after 72 h `stalled`; at 1.010 or below, steady,
    `finished`). Readings 48 h apart that agree within two uncertainties, on a curve that agrees too, are `finished`
    where the gravity is at 1.000 or below, has reached `expected_final_sg`, or, if that isn't given, shows an apparent
    attenuation of 70 % (is at 1.010 or below, where no reading is from the first day); else `stalled`. A present fall
    below a third of the fastest is `slowing`. Until the curve's lag is over it is `lagging`; the rest is `active`.

    Parameters
    ----------
    readings : sequence of GravityReading
        One to 10 000, in any order; a curve is fitted from four at different times.
    reading_uncertainty_sg : float
        Standard uncertainty of each reading, 0.0001..0.05.
    expected_final_sg : float or None
        Where this yeast on this must usually ends, if known.

    Raises
    ------
    InputError
        Without readings, or with a value out of range (and the reading's index).

    References
    ----------
    Falling sigmoid (Richards curve) by least squares with pseudo-Huber loss and a profile-likelihood interval; rules of
    state: common practice, no source.

    """
    spread = float(number("reading_uncertainty_sg", reading_uncertainty_sg, 1e-4, 0.05, "a standard uncertainty"))
    if expected_final_sg is not None:
        expected_final_sg = float(number("expected_final_sg", expected_final_sg, sugar.SG_LOW, 1.2, "a final gravity"))
    at_h, sg, warmth, order = _arrays(readings)
    fit = _fit(at_h, sg, spread)
    seen = _Seen.of(at_h, sg, spread, fit, expected_final_sg)
    state = _state(seen)
    return Progress(
        state=state,
        reading=words.progress_reading(seen.facts(state, warmth)),
        latest_sg=seen.latest,
        apparent_attenuation_percent=seen.attenuation,
        curve=None if fit is None else fit.curve,
        points=() if fit is None else _points(fit.curve, at_h),
        projected_final_sg=None if fit is None else fit.final_sg,
        lag_h=seen.lag_h,
        fastest_drop_sg_per_day=seen.fastest,
        present_drop_sg_per_day=seen.present,
        off_curve=() if fit is None else tuple(sorted(int(order[each]) for each in fit.off_curve)),
    )


def _arrays(
    readings: Sequence[GravityReading],
) -> tuple[FloatArray, FloatArray, FloatArray, npt.NDArray[np.intp]]:
    """Times, gravities and temperatures (NaN where unknown) in order of time, and the order."""
    if not 1 <= len(readings) <= MOST_READINGS:
        raise InputError("readings", f"give 1 to {MOST_READINGS} readings; {len(readings)} were given.")
    at_h = np.array([each.at_h for each in readings], dtype=np.float64)
    sg = np.array([each.sg for each in readings], dtype=np.float64)
    warmth = np.array(
        [np.nan if each.temperature_c is None else each.temperature_c for each in readings], dtype=np.float64
    )
    number("readings.at_h", at_h, 0.0, 50_000.0, "hours since pitching")
    number("readings.sg", sg, sugar.SG_LOW, sugar.SG_HIGH, "a specific gravity such as 1.050, not 50 and not 12")
    number("readings.temperature_c", np.nan_to_num(warmth, nan=20.0), -10.0, 60.0, "the temperature of a ferment")
    order = np.argsort(at_h, kind="stable")
    return at_h[order], sg[order], warmth[order], order


def _fit(at_h: FloatArray, sg: FloatArray, spread: float) -> CurveFit | None:
    """Fit a curve where there are readings enough, a fall to fit, and one falling curve that they follow."""
    early, late = (sg[:2].max(), sg[-2:].min()) if len(sg) < 10 else (_level(sg[:3]), _level(sg[-3:]))
    if len(np.unique(at_h)) < FEWEST_FOR_A_CURVE or early - late < 3.0 * spread:
        return None
    fit = fit_curve(at_h, sg, spread)
    apart = len(fit.off_curve)
    if fit.scatter > 5.0 or (apart > 1 and apart > 0.2 * len(at_h)):
        return None
    return fit


def _level(sg: FloatArray) -> float:
    return float(np.median(sg))


def _points(curve: FermentationCurve, at_h: FloatArray) -> tuple[CurvePoint, ...]:
    times = np.linspace(float(at_h[0]), float(at_h[-1]), _POINTS)
    return tuple(CurvePoint(t, g) for t, g in zip(times.tolist(), curve.sg(times).tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the readings show, before it is given a name."""

    count: int
    first_h: float
    last_h: float
    start: float
    latest: float
    spread: float
    fell: bool
    steady_h: float
    rose: bool
    expected: float | None
    attenuation: float | None
    fit: CurveFit | None
    lag_h: float | None
    fastest: float | None
    present: float | None

    @classmethod
    def of(
        cls, at_h: FloatArray, sg: FloatArray, spread: float, fit: CurveFit | None, expected: float | None
    ) -> "_Seen":
        kept = np.ones(len(sg), dtype=bool)
        if fit is not None:
            kept[list(fit.off_curve)] = False
        hours, gravity = at_h[kept], sg[kept]
        many = len(gravity) > 20
        latest = _level(gravity[-5:]) if many else float(gravity[-1])
        start = _level(gravity[:5]) if many else float(gravity[0])
        lag = fastest = present = None
        if fit is not None:
            curve = fit.curve
            first, last = float(at_h[0]), float(at_h[-1])
            steepest = min(max(curve.fastest_at_h(), first), last)
            fastest, present = (24.0 * float(curve.drop_per_h(np.array([each]))[0]) for each in (steepest, last))
            lag = curve.lag_h()
            lag = max(lag, 0.0) if first <= 0.0 or first < min(lag, _STARTS_WITHIN_H) else None
            latest = float(curve.sg(np.array([last]))[0])
        original, now = float(sugar.plato_from_sg(max(start, 1.0))), float(sugar.plato_from_sg(latest))
        return cls(
            count=len(np.unique(at_h)),
            first_h=float(at_h[0]),
            last_h=float(at_h[-1]),
            start=start,
            latest=latest,
            spread=spread,
            fell=start - latest > 3.0 * spread,
            steady_h=_steady_for(hours, gravity, latest, spread, fit),
            rose=latest - float(gravity.min()) > 5.0 * spread and fit is None,
            expected=expected,
            attenuation=100.0 * (1.0 - now / original) if original > 0.5 and at_h[0] <= _STARTS_WITHIN_H else None,
            fit=fit,
            lag_h=lag,
            fastest=fastest,
            present=present,
        )

    def steady(self) -> bool:
        """Whether the gravity has kept still for as long as the rule asks."""
        return self.steady_h >= STEADY_H - _GRACE_H

    def enough(self) -> bool:
        """Whether a steady gravity is where this ferment may end."""
        if self.latest <= 1.000 + self.spread:
            return True
        if self.expected is not None:
            return self.latest <= self.expected + 3.0 * self.spread
        if self.attenuation is None:
            return self.latest <= _LOW_ENOUGH_SG
        return self.attenuation >= FINISHED_ATTENUATION_PERCENT

    def facts(self, state: State, warmth: FloatArray) -> words.Facts:
        """Gather what the sentence needs."""
        final = None if self.fit is None else self.fit.final_sg
        return words.Facts(
            state=state,
            count=self.count,
            elapsed_h=self.last_h - self.first_h,
            since_pitching_h=self.last_h,
            start_sg=self.start,
            latest_sg=self.latest,
            fell=self.fell,
            rose=self.rose,
            steady_h=self.steady_h,
            attenuation_percent=self.attenuation,
            expected_sg=self.expected,
            final=final,
            present_drop=self.present,
            cooled_c=_cooled(warmth),
            off_curve=0 if self.fit is None else len(self.fit.off_curve),
        )


def _state(seen: _Seen) -> State:
    if not seen.fell:
        if seen.latest <= _LOW_ENOUGH_SG and seen.steady():
            return "finished"
        return "stalled" if seen.last_h >= LONGEST_LAG_H and seen.steady() else "lagging"
    if seen.steady():
        return "finished" if seen.enough() else "stalled"
    if seen.fit is None or seen.fastest is None or seen.present is None:
        return "active"
    falling_already = seen.start - seen.latest > 0.1 * (seen.start - float(seen.fit.final_sg.estimate))
    if seen.lag_h is not None and seen.last_h <= seen.lag_h and not falling_already:
        return "lagging"
    past_fastest = seen.last_h > seen.fit.curve.fastest_at_h()
    return "slowing" if past_fastest and seen.present < _SLOWING_SHARE * seen.fastest else "active"


def _steady_for(at_h: FloatArray, sg: FloatArray, latest: float, spread: float, fit: CurveFit | None) -> float:
    """Hours back from the last reading over which neither readings nor curve show a change."""
    if len(sg) > _BLOCKS:
        parts = np.array_split(np.arange(len(sg)), _BLOCKS)
        at_h, sg = (np.array([np.median(values[part]) for part in parts]) for values in (at_h, sg))
    # A running median of three passes by one wild reading.
    smooth = sg.copy()
    if len(sg) > 4:
        smooth[1:-1] = np.median(np.stack((sg[:-2], sg[1:-1], sg[2:])), axis=0)
    apart = np.abs(smooth - latest) > 2.0 * spread
    if fit is not None:
        apart |= fit.curve.sg(at_h) - latest > 2.0 * spread
    changed = np.flatnonzero(apart)
    since = int(changed[-1]) + 1 if len(changed) else 0
    return float(at_h[-1] - at_h[since]) if since < len(at_h) else 0.0


def _cooled(warmth: FloatArray) -> float:
    """Kelvin by which the ferment cooled from its warmest to its last known temperature."""
    known = warmth[~np.isnan(warmth)]
    return float(known.max() - known[-1]) if len(known) > 1 else 0.0
