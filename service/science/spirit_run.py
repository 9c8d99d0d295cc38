"""Account for the alcohol of a spirit run, and carry its cuts over to another charge."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.science.checks import number
from service.science.errors import InputError

CAUTION: Final = (
    "Alcohol vapour burns and explodes: no flame near a running still, good air, never leave it, never close it in. "
    "Cuts by strength or volume don't make a spirit safe to drink. Distilling without a licence is unlawful in many "
    "countries; follow the law where you are."
)

_STRENGTH: Final = "percent alcohol by volume at 20 °C"


@dataclass(frozen=True, slots=True)
class Charge:
    """What went into the still: litres at 20 °C and % vol at 20 °C."""

    volume_l: float
    abv_percent: float


@dataclass(frozen=True, slots=True)
class Fraction:
    """What came over in one jar: litres at 20 °C and % vol at 20 °C."""

    name: str
    volume_l: float
    abv_percent: float


@dataclass(frozen=True, slots=True)
class FractionShare:
    """One fraction's pure alcohol in litres, and its share of what was collected and of the charge."""

    name: str
    volume_l: float
    abv_percent: float
    pure_alcohol_l: float
    share_of_collected_percent: float
    share_of_charge_percent: float


@dataclass(frozen=True, slots=True)
class Cut:
    """Where one fraction ends and the next begins.

    `at_strength_percent` is the strength then running, interpolated between the fractions' means: a guide for the
    alcoholmeter at the spout, not a measurement.
    """

    after: str
    before: str
    collected_l: float
    pure_alcohol_l: float
    share_of_charge_percent: float
    at_strength_percent: float


@dataclass(frozen=True, slots=True)
class ScaledFraction:
    """One fraction of a run of another charge, cut the same way."""

    name: str
    volume_l: float
    abv_percent: float
    pure_alcohol_l: float


@dataclass(frozen=True, slots=True)
class ScaledRun:
    """The same cuts for another charge: each fraction and cut in proportion to the pure alcohol in the charge."""

    scale: float
    fractions: tuple[ScaledFraction, ...]
    cuts: tuple[Cut, ...]


@dataclass(frozen=True, slots=True)
class Cuts:
    """The alcohol account of a spirit run.

    What is unaccounted for stayed in the still, went as vapour, or is an error of measurement: its standard
    uncertainty (k = 1) stands beside it, and that of the recovery beside the recovery.
    """

    charge_pure_alcohol_l: float
    collected_pure_alcohol_l: float
    collected_l: float
    fractions: tuple[FractionShare, ...]
    cuts: tuple[Cut, ...]
    recovery_percent: float
    recovery_uncertainty_percent: float
    unaccounted_l: float
    unaccounted_uncertainty_l: float
    scaled: ScaledRun | None


def cuts(
    charge: Charge,
    fractions: Sequence[Fraction],
    scale_to_charge: Charge | None = None,
    *,
    volume_uncertainty_percent: float = 1.0,
    abv_uncertainty_percent: float = 0.5,
) -> Cuts:
    """Pure alcohol in each fraction, how much of the charge's it is, and the same cuts for another charge.

    Parameters
    ----------
    charge : Charge
        What was distilled.
    fractions : sequence of Fraction
        In the order that they ran.
    scale_to_charge : Charge or None
        Another charge to cut in the same way, on the same still at the same heat; the nearer it is in strength, the
        better the cuts carry over.
    volume_uncertainty_percent : float
        Standard uncertainty of each volume, in percent of it; the default is a judgement.
    abv_uncertainty_percent : float
        Standard uncertainty of each strength, in % vol; the default is a judgement for 1 % divisions.

    Raises
    ------
    InputError
        Out of range; or where the fractions hold more alcohol than the charge.

    References
    ----------
    Mass balance of ethanol, as volume at 20 °C (volume times strength); propagation: JCGM 100:2008.

    """
    charged = _pure_alcohol("charge", charge, None)
    if charged <= 0.0:
        raise InputError("charge", "holds no alcohol: give a volume and a strength above 0.")
    if not fractions:
        raise InputError("fractions", "give at least one.")
    relative = 0.01 * float(number("volume_uncertainty_percent", volume_uncertainty_percent, 0.0, 50.0, "in percent"))
    spread = float(number("abv_uncertainty_percent", abv_uncertainty_percent, 0.0, 20.0, "in % vol"))
    pure = [_pure_alcohol("fractions", each, index) for index, each in enumerate(fractions)]
    collected = sum(pure)
    if collected > charged * (1.0 + 1e-9):
        raise InputError(
            "fractions",
            f"hold {collected:.3f} L of pure alcohol, more than the charge's {charged:.3f} L. Check the charge's "
            "strength and volume, and that every reading was corrected to 20 °C.",
        )
    if collected <= 0.0:
        raise InputError("fractions", "hold no alcohol: give each with its volume and strength.")
    charge_spread = _spread(charge, relative, spread)
    collected_spread = math.hypot(*(_spread(each, relative, spread) for each in fractions))
    recovery = collected / charged
    found = _find_cuts(fractions, pure, charged)
    return Cuts(
        charge_pure_alcohol_l=charged,
        collected_pure_alcohol_l=collected,
        collected_l=sum(each.volume_l for each in fractions),
        fractions=tuple(
            FractionShare(
                each.name,
                float(each.volume_l),
                float(each.abv_percent),
                alcohol,
                100.0 * alcohol / collected,
                100.0 * alcohol / charged,
            )
            for each, alcohol in zip(fractions, pure, strict=True)
        ),
        cuts=found,
        recovery_percent=100.0 * recovery,
        recovery_uncertainty_percent=100.0 * math.hypot(collected_spread, recovery * charge_spread) / charged,
        unaccounted_l=charged - collected,
        unaccounted_uncertainty_l=math.hypot(charge_spread, collected_spread),
        scaled=_scale(scale_to_charge, charged, fractions, pure, found),
    )


def _pure_alcohol(field: str, held: Charge | Fraction, index: int | None) -> float:
    try:
        volume = float(number("volume_l", held.volume_l, 0.0, 1e9, "litres at 20 °C"))
        return volume * 0.01 * float(number("abv_percent", held.abv_percent, 0.0, 100.0, _STRENGTH))
    except InputError as error:
        raise InputError(f"{field}.{error.field}", error.detail, index) from None


def _spread(held: Charge | Fraction, relative: float, spread: float) -> float:
    return 0.01 * held.volume_l * math.hypot(relative * held.abv_percent, spread)


def _find_cuts(fractions: Sequence[Fraction], pure: Sequence[float], charged: float) -> tuple[Cut, ...]:
    volumes = np.array([each.volume_l for each in fractions], dtype=np.float64)
    ends = volumes.cumsum()
    running = np.interp(ends[:-1], ends - 0.5 * volumes, [each.abv_percent for each in fractions]).tolist()
    collected, so_far = ends.tolist(), np.cumsum(pure).tolist()
    return tuple(
        Cut(
            after=fractions[n].name,
            before=fractions[n + 1].name,
            collected_l=collected[n],
            pure_alcohol_l=so_far[n],
            share_of_charge_percent=100.0 * so_far[n] / charged,
            at_strength_percent=running[n],
        )
        for n in range(len(fractions) - 1)
    )


def _scale(
    other: Charge | None,
    charged: float,
    fractions: Sequence[Fraction],
    pure: Sequence[float],
    found: Sequence[Cut],
) -> ScaledRun | None:
    if other is None:
        return None
    scale = _pure_alcohol("scale_to_charge", other, None) / charged
    if scale <= 0.0:
        raise InputError("scale_to_charge", "holds no alcohol: give a volume and a strength above 0.")
    return ScaledRun(
        scale=scale,
        fractions=tuple(
            ScaledFraction(each.name, each.volume_l * scale, float(each.abv_percent), alcohol * scale)
            for each, alcohol in zip(fractions, pure, strict=True)
        ),
        cuts=tuple(
            Cut(
                after=cut.after,
                before=cut.before,
                collected_l=cut.collected_l * scale,
                pure_alcohol_l=cut.pure_alcohol_l * scale,
                share_of_charge_percent=cut.share_of_charge_percent,
                at_strength_percent=cut.at_strength_percent,
            )
            for cut in found
        ),
    )
