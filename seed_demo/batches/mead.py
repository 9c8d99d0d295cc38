"""Two meads of one must: fed at once, and in four steps. Invented."""

from datetime import datetime
from typing import Final

from numpy.random import Generator

from seed_demo.drawing import Document, one_of, to_mark
from seed_demo.ferments import Ferment, draw_curve, draw_finish, read_ph, read_sg, vessel
from seed_demo.households import Household
from seed_demo.questions.mead import NUTRIENT_G_PER_L, SWEETENED_SG
from seed_demo.truth import MEAD

_STEPS_H: Final = {"control": (0,), "treatment": (0, 24, 48, 72)}
_SWEETENED_SD: Final = 0.0003


def draw_conditions(rng: Generator) -> Document:
    """Draw what may change the answer elsewhere; here it doesn't."""
    return {
        "yeast": one_of(rng, "wine yeast", "ale yeast", "bread yeast"),
        "nutrient": one_of(rng, "mineral salts", "yeast hulls", "both"),
        "must_heated": one_of(rng, "no", "warmed", "boiled"),
    }


def draw_batches(rng: Generator, household: Household, ferment: Ferment, pitched_at: datetime) -> list[Document]:
    """Ferment one must in two vessels."""
    volume = float(rng.integers(4, 11))
    original = read_sg(rng, household, ferment.original_sg)
    return [
        _mead(rng, household, ferment, arm, pitched_at=pitched_at, volume=volume, original=original)
        for arm in ("control", "treatment")
    ]


def _mead(
    rng: Generator,
    household: Household,
    ferment: Ferment,
    arm: str,
    *,
    pitched_at: datetime,
    volume: float,
    original: float,
) -> Document:
    final = read_sg(rng, household, ferment.ends[arm])
    days = draw_finish(rng, ferment)
    nutrient_g = NUTRIENT_G_PER_L * volume
    sweetened = max(SWEETENED_SG, ferment.ends[arm])
    measured = {
        **({"ph_end": read_ph(rng, MEAD)} if household.ph_meter else {}),
        "nutrient_g_per_l": NUTRIENT_G_PER_L,
        "tasting_sg": to_mark(float(rng.normal(sweetened, _SWEETENED_SD)), household.mark_sg),
    }
    return {
        **vessel(household, ferment, arm=arm, name=f"jar {arm}", original=original, final=final),
        "volume_l": volume,
        "pitched_at": pitched_at.isoformat(),
        "days_to_finish": days,
        "readings": draw_curve(rng, household, ferment, original=original, final=final, looks=11),
        "additions": [
            {"at_h": at, "what": "yeast nutrient", "mass_g": round(nutrient_g / len(_STEPS_H[arm]), 3)}
            for at in _STEPS_H[arm]
        ],
        "measured": measured,
    }
