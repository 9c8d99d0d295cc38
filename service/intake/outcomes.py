"""What can be measured on a batch, in one table: a new outcome is one row here.

Each row reads one batch and gives the value with the variance that reading it brings, or None where it can't be told.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from service.intake.documents import BatchDocument
from service.science.checks import Numeric
from service.science.errors import InputError
from service.science.gravity import Attenuation, attenuation, scales

Scale = Literal["difference", "log_ratio", "yes_no"]

_PH_UNCERTAINTY = 0.05
"""Of a hand-held meter; a judgement, common practice, no source."""

_DAYS_VARIANCE = 1.0 / 12.0
"""Of a day read from a calendar: uniform over that day (JCGM 100:2008, 4.3.7)."""

_ALCOHOL_RELATIVE = 0.02
"""Of pure alcohol by volume and glass alcoholmeter; a judgement, common practice, no source."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """A value on the scale in which differences are taken, and its variance by reading; None where that isn't known."""

    value: float
    variance: float | None


@dataclass(frozen=True, slots=True)
class Waiting:
    """How to read when a vessel was done, or the latest time at which it was seen still going; one of them, or none."""

    done: Callable[[BatchDocument], float | None]
    still_going: Callable[[BatchDocument], float | None]


@dataclass(frozen=True, slots=True)
class Outcome:
    """One thing that can be measured.

    `scale` says how two arms are set against each other: their difference, the difference of logarithms, or a pair of
    events. `read` gives the value on that scale; a yes is 1. `waiting` is for what a vessel comes to in its time: the
    report may be written before that.
    """

    name: str
    title: str
    unit: str
    scale: Scale
    read: Callable[[BatchDocument], Measurement | None]
    note: str
    waiting: Waiting | None = None

    def shown(self, value: float) -> float:
        """Turn a value on the scale back into the outcome's unit."""
        return math.exp(value) if self.scale == "log_ratio" else value


def _final_sg(batch: BatchDocument) -> Measurement | None:
    if batch.final_sg is None:
        return None
    return Measurement(batch.final_sg, batch.gravity_uncertainty**2)


def _added_to(batch: BatchDocument) -> bool:
    """Whether additions lifted the extract by more than a gravity reading can see, 1 g/L being 0.0004 SG."""
    if not batch.additions:
        return False
    masses = [addition.mass_g for addition in batch.additions]
    if batch.volume_l is None or any(addition.volume_l for addition in batch.additions):
        return True
    known = [mass for mass in masses if mass is not None]
    return len(known) < len(masses) or sum(known) > batch.volume_l


@lru_cache(maxsize=4096)
def _attenuation(original_sg: float, final_sg: float, uncertainty_sg: float) -> Attenuation:
    """Compute each pair of gravities once for all that is read off them."""
    return attenuation(original_sg, final_sg, uncertainty_sg)


def _by_attenuation(pick: Callable[[Attenuation], Numeric]) -> Callable[[BatchDocument], Measurement | None]:
    """Read something off both gravities; the model's own error is left out, since two arms share it."""

    @lru_cache(maxsize=4096)
    def measured(original: float, final: float, step: float) -> Measurement | None:
        slack = min(2.0 * step, 0.05)
        try:
            value, higher, lower = (
                float(pick(_attenuation(before, after, slack)))
                for before, after in ((original, final), (original + step, final), (original, final - step))
            )
        except InputError:
            return None
        return Measurement(value, (higher - value) ** 2 + (lower - value) ** 2)

    def read(batch: BatchDocument) -> Measurement | None:
        if batch.original_sg is None or batch.final_sg is None or _added_to(batch):
            return None
        return measured(batch.original_sg, batch.final_sg, batch.gravity_uncertainty)

    return read


def _days_to_finish(batch: BatchDocument) -> Measurement | None:
    days = batch.days_to_finish
    return None if days is None else Measurement(math.log(days), _DAYS_VARIANCE / days**2)


def _pure_alcohol_per_kg(batch: BatchDocument) -> Measurement | None:
    spirit = batch.spirit
    if (
        spirit is None
        or not spirit.fractions
        or spirit.charge_l is None
        or batch.original_sg is None
        or batch.additions
    ):
        return None
    try:
        extract_g_per_l = float(scales(sg=batch.original_sg).extract_g_per_l)
    except InputError:
        return None
    extract_kg = extract_g_per_l * spirit.charge_l / 1000.0
    pure_l = sum(fraction.volume_l * fraction.abv_percent for fraction in spirit.fractions) / 100.0
    if extract_kg <= 0.0 or pure_l <= 0.0:
        return None
    return Measurement(math.log(pure_l / extract_kg), _ALCOHOL_RELATIVE**2)


def _ph_end(batch: BatchDocument) -> Measurement | None:
    value = batch.measured.get("ph_end")
    return None if value is None else Measurement(value, _PH_UNCERTAINTY**2)


def _reached_dryness(batch: BatchDocument) -> Measurement | None:
    return None if batch.reached_dryness is None else Measurement(float(batch.reached_dryness), None)


def _table(*rows: Outcome) -> Mapping[str, Outcome]:
    return {row.name: row for row in rows}


OUTCOMES: Mapping[str, Outcome] = _table(
    Outcome("final_sg", "Final gravity", "SG", "difference", _final_sg, "As read, 20/20 °C."),
    Outcome(
        "apparent_attenuation_percent",
        "Apparent attenuation",
        "%",
        "difference",
        _by_attenuation(lambda result: result.apparent_attenuation_percent),
        "From both gravities; over 100 is legal. Not told where additions after pitching count.",
    ),
    Outcome(
        "abv_percent",
        "Alcohol",
        "% vol",
        "difference",
        _by_attenuation(lambda result: result.abv_percent),
        "From both gravities, by Balling's relation. Not told where additions after pitching count.",
    ),
    Outcome(
        "days_to_finish",
        "Days to finish",
        "days",
        "log_ratio",
        _days_to_finish,
        "Compared as a ratio, because slow ferments are slow by a factor; by which arm finished first where a vessel "
        "had not finished.",
        Waiting(lambda batch: batch.days_to_finish, lambda batch: batch.still_going_at_days),
    ),
    Outcome(
        "pure_alcohol_l_per_kg",
        "Pure alcohol won",
        "L/kg",
        "log_ratio",
        _pure_alcohol_per_kg,
        "Alcohol in all fractions over the extract that the charge held before fermentation.",
    ),
    Outcome("ph_end", "pH at the end", "pH", "difference", _ph_end, "From `measured`."),
    Outcome("reached_dryness", "Finished dry", "", "yes_no", _reached_dryness, "Yes where every vessel of an arm did."),
)


def outcome_named(name: str) -> Outcome:
    """Return a known outcome, or one that takes the value of that name from `measured`, whose reading nobody stated."""
    return OUTCOMES.get(name) or Outcome(
        name, name, "", "difference", lambda batch: _own(batch, name), "From `measured`, in the unit of its name."
    )


def _own(batch: BatchDocument, name: str) -> Measurement | None:
    value = batch.measured.get(name)
    return None if value is None else Measurement(value, None)
