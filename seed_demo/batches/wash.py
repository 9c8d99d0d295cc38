"""One grain wash, parted after its ferment: run cloudy, and cleared first. Invented."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from numpy.random import Generator

from seed_demo.drawing import Document, normal, one_of
from seed_demo.ferments import Ferment, draw_curve, read_ph, read_sg, vessel
from seed_demo.households import Household
from seed_demo.runs import Still, draw_glass_percent, draw_run
from seed_demo.truth import INVENTED, STALLED_ABOVE_SG, WASH, Spread

_COLD_C: Final = Spread(5.0, 0.5)


@dataclass(frozen=True, slots=True)
class Mishap:
    """What a household on this question does beside the plan, or unlike it."""

    sham: bool = False
    stalled: bool = False
    unmatched: bool = False


def draw_conditions(rng: Generator) -> Document:
    """Draw what may change the answer elsewhere; here it doesn't."""
    plates = int(rng.integers(0, 4))
    return {
        "still": "plated" if plates else "pot",
        "plates": plates,
        "yeast": one_of(rng, "bread yeast", "ale yeast", "distilling yeast"),
        "grain": one_of(rng, "barley malt", "maize and malt", "rye and malt"),
        "heated_by": one_of(rng, "element in the wash", "plate below"),
    }


def draw_batches(
    rng: Generator, household: Household, ferment: Ferment, pitched_at: datetime, still: Still, mishap: Mishap
) -> list[Document]:
    """Part one ferment into two vessels, or three where a sham trial is to be held, and run each."""
    if mishap.stalled:
        ferment = replace(ferment, treatment_sg=ferment.control_sg + normal(rng, STALLED_ABOVE_SG))
    vessels = ["control", "treatment", *(["control"] if mishap.sham else [])]
    run_orders = (rng.permutation(len(vessels)) + 1).tolist()
    volume = float(rng.integers(8, 16))
    original = read_sg(rng, household, ferment.original_sg)
    parted = read_sg(rng, household, ferment.control_sg)
    together = draw_curve(rng, household, ferment, original=original, final=parted, looks=13)
    batches = []
    for place, (arm, order) in enumerate(zip(vessels, run_orders, strict=True)):
        stalls = mishap.stalled and arm == "treatment"
        final = read_sg(rng, household, ferment.ends[arm])
        glass = draw_glass_percent(rng, unmatched=mishap.unmatched and arm == "treatment")
        readings = _set_cold_early(rng, together, final) if stalls else together
        batches.append(
            {
                **vessel(household, ferment, arm=arm, name=f"half {'abc'[place]}", original=original, final=final),
                "volume_l": volume,
                "pitched_at": pitched_at.isoformat(),
                "readings": readings,
                "measured": {"ph_end": read_ph(rng, WASH)} if household.ph_meter else {},
                "spirit": draw_run(
                    rng, still, order=order, volume_l=volume, original_sg=original, final_sg=final, glass=glass
                ),
                "notes": f"{INVENTED} Set cold before it had finished; it never went on." if stalls else INVENTED,
            }
        )
    return batches


def _set_cold_early(rng: Generator, together: list[Document], stopped: float) -> list[Document]:
    """Let a half follow the common readings down to where it stopped, and stand there in the cold."""
    return [
        reading
        if reading["sg"] > stopped
        else {"at_h": reading["at_h"], "sg": stopped, "temperature_c": round(normal(rng, _COLD_C), 1)}
        for reading in together
    ]
