"""Two ciders of one juice: lid on, and lid off on days 1 to 3. Invented."""

from datetime import date, datetime
from typing import Final

from numpy.random import Generator

from seed_demo.drawing import Document, one_of
from seed_demo.ferments import Ferment, draw_curve, draw_finish, read_ph, read_sg, vessel
from seed_demo.households import Household
from seed_demo.truth import CIDER

_DRY_SG: Final = 1.0


def draw_conditions(rng: Generator) -> Document:
    """Draw what may change the answer elsewhere; here it doesn't."""
    return {
        "yeast": one_of(rng, "wine yeast", "ale yeast", "what was on the fruit"),
        "apples": one_of(rng, "eating", "bitter", "mixed"),
        "vessel": one_of(rng, "bucket", "glass jar"),
    }


def draw_batches(
    rng: Generator, household: Household, ferment: Ferment, pitched_at: datetime, tasted_on: date
) -> list[Document]:
    """Ferment one juice in two vessels and bottle both on one day."""
    volume = float(rng.integers(5, 21))
    original = read_sg(rng, household, ferment.original_sg)
    ready = max(1, (tasted_on - pitched_at.date()).days - round(ferment.days) - 5)
    package = {"bottle_age_days": ready, "co2_g_per_l": 1.0, "bottles_pooled": True}
    batches = []
    for arm in ("control", "treatment"):
        final = read_sg(rng, household, ferment.ends[arm])
        batches.append(
            {
                **vessel(household, ferment, arm=arm, name=f"vessel {arm}", original=original, final=final),
                "volume_l": volume,
                "pitched_at": pitched_at.isoformat(),
                "days_to_finish": draw_finish(rng, ferment),
                "reached_dryness": final <= _DRY_SG,
                "readings": draw_curve(rng, household, ferment, original=original, final=final, looks=9),
                "measured": {"ph_end": read_ph(rng, CIDER)} if household.ph_meter else {},
                "package": package,
            }
        )
    return batches
