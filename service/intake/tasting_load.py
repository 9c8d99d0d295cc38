"""What a sealed trial pours and asks a taster to swallow, said before the first glass."""

import math
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from service.intake.protocol_documents import ProtocolTrial
from service.intake.question_documents import Stage
from service.intake.sealed_documents import TrialOpening
from service.science.drinking import CAUTION_G, ETHANOL_G_PER_ML, alcohol_load
from service.science.trial_methods import METHODS

# Common practice, no source: what is counted with where nobody says how much, or how strong.
_ASSUMED_POUR_ML = 15.0
_ASSUMED_ABV_PERCENT: Mapping[Stage, float] = {"ferment": 12.0, "distil": 40.0}
_LEAST_POUR_ML = 0.1
_NOSING_ABV_PERCENT = 20.0
_TENTHS_BELOW_G = 10.0


class UnitsPerDay(BaseModel):
    """A taster's day in one country's unit of alcohol."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    country: str
    unit: str
    poured: float
    swallowed: float
    guidance: str
    source: str


class Alcohol(BaseModel):
    """What each taster is poured and swallows, in grams of pure alcohol for each day."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    pour_ml: float
    abv_percent: float
    assumed: list[str] = Field(description="Which of the two nobody gave, so that a usual value stands in.")
    glasses: int
    days: int
    swallowed_fraction: float
    poured_g_per_day: float
    swallowed_g_per_day: float
    national_units: list[UnitsPerDay]
    days_advised: int = Field(description="Fewest days within the amount from which this service warns, if swallowed.")
    cautions: list[str]


def serving_of(opening: TrialOpening, protocol: ProtocolTrial | None, stage: Stage) -> dict[str, Any]:
    """Settle pour and strength: as given, else the protocol's, else what is usual."""
    pour = opening.pour_ml or (protocol.pour_ml if protocol else None)
    strength = opening.abv_percent
    if strength is None and protocol is not None:
        strength = protocol.tasting_abv_percent
    assumed = [name for name, value in (("pour_ml", pour), ("abv_percent", strength)) if value is None]
    return {
        "pour_ml": max(pour or _ASSUMED_POUR_ML, _LEAST_POUR_ML),
        "abv_percent": _ASSUMED_ABV_PERCENT[stage] if strength is None else strength,
        "assumed": assumed,
        "swallowed_fraction": opening.swallowed_fraction,
        "days": opening.days,
    }


def alcohol_of(method: str, presentations: int, serving: Mapping[str, Any]) -> Alcohol:
    """Count what one taster of a trial is poured, and say what to do where it is much."""
    glasses = METHODS[method].glasses_per_presentation
    plan = (presentations, glasses, serving["pour_ml"], serving["abv_percent"])
    swallowed = alcohol_load(*plan, swallowed_fraction=serving["swallowed_fraction"], days=serving["days"])
    poured = alcohol_load(*plan, days=serving["days"])
    units = zip(poured.national_units, swallowed.national_units, strict=True)
    grams = float(poured.grams_per_day)
    days_advised = int(poured.days_advised)
    cautions = [str(swallowed.advice), *_mends(serving, grams, days_advised), *_assumed(serving)]
    return Alcohol(
        pour_ml=serving["pour_ml"],
        abv_percent=serving["abv_percent"],
        assumed=serving["assumed"],
        glasses=presentations * glasses,
        days=serving["days"],
        swallowed_fraction=serving["swallowed_fraction"],
        poured_g_per_day=grams,
        swallowed_g_per_day=float(swallowed.grams_per_day),
        national_units=[
            UnitsPerDay(
                country=full.country,
                unit=full.unit,
                poured=float(full.units_per_day),
                swallowed=float(taken.units_per_day),
                guidance=full.guidance,
                source=full.source,
            )
            for full, taken in units
        ],
        days_advised=days_advised,
        cautions=cautions,
    )


def taster_cautions(method: str, presentations: int, serving: Mapping[str, Any]) -> list[str]:
    """Say to a taster what the whole trial pours for them."""
    alcohol = alcohol_of(method, presentations, serving)
    spread = "a day" if alcohol.days == 1 else f"on each of {alcohol.days} days"
    grams = alcohol.poured_g_per_day
    poured = f"{grams:.1f}" if grams < _TENTHS_BELOW_G else f"{grams:.0f}"
    return [f"This trial pours you {poured} g of pure alcohol {spread}.", alcohol.cautions[0]]


def _mends(serving: Mapping[str, Any], grams: float, days_advised: int) -> Iterator[str]:
    if grams <= CAUTION_G:
        return
    pour, strength, days = serving["pour_ml"], serving["abv_percent"], serving["days"]
    enough_ml = math.floor(2.0 * pour * CAUTION_G / grams) / 2.0
    if enough_ml >= 1.0:
        yield f"Smaller pours: {enough_ml:g} mL a glass keeps each taster within {CAUTION_G:g} g a day."
    if strength > _NOSING_ABV_PERCENT:
        # A spirit panel's usual strength: practice reported by a distillery, not a standard.
        yield (
            f"Lower strength: reduce both batches to the same measured {_NOSING_ABV_PERCENT:g} % vol, at which spirit "
            f"is commonly nosed; this pour is then {grams * _NOSING_ABV_PERCENT / strength:.0f} g a day."
        )
    yield "Spit, and rinse with water: that lowers what is taken in, but not to nothing."
    if days_advised > days:
        yield f"More days: {days_advised}, with both batches served on each of them."
    a_set = pour * strength / 100.0 * ETHANOL_G_PER_ML
    if a_set > CAUTION_G:
        yield "A single glass is more than a day's tasting should be."


def _assumed(serving: Mapping[str, Any]) -> Iterator[str]:
    if serving["assumed"]:
        yield (
            f"Nobody said how much or how strong ({', '.join(serving['assumed'])}): counted with "
            f"{serving['pour_ml']:g} mL of {serving['abv_percent']:g} % vol in each glass."
        )
