"""Invented ferments: where they end by the stated truth, and what a household reads on the way."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator

from seed_demo.drawing import Document, normal, to_mark
from seed_demo.households import Household
from seed_demo.truth import INVENTED, Truth

_STEEPNESS: Final = 9.0
"""Of the falling sigmoid, over the time from pitching to the end."""

_HALFWAY: Final = 0.4


@dataclass(frozen=True, slots=True)
class Ferment:
    """How one household's ferment truly goes: the must it began with, and where each arm ends."""

    original_sg: float
    control_sg: float
    treatment_sg: float
    temperature_c: float
    days: float

    @property
    def ends(self) -> dict[str, float]:
        """Where each arm truly ends, by its key."""
        return {"control": self.control_sg, "treatment": self.treatment_sg}


def draw_ferment(rng: Generator, truth: Truth) -> Ferment:
    """Draw where a household's arms truly end."""
    control = normal(rng, truth.final_sg)
    return Ferment(
        original_sg=normal(rng, truth.original_sg),
        control_sg=control,
        treatment_sg=control + normal(rng, truth.difference_sg),
        temperature_c=normal(rng, truth.temperature_c),
        days=max(normal(rng, truth.days), 0.4 * truth.days.mean),
    )


def read_sg(rng: Generator, household: Household, sg: float) -> float:
    """Read a gravity with the household's hydrometer, whose uncertainty is one mark."""
    return to_mark(float(rng.normal(sg, household.mark_sg)), household.mark_sg)


def draw_finish(rng: Generator, ferment: Ferment) -> int:
    """Draw on which day one of the vessels is finished: about the same for both arms."""
    return max(2, round(float(rng.normal(ferment.days, 0.05 * ferment.days))))


def read_ph(rng: Generator, truth: Truth) -> float:
    """Read the acidity at the end."""
    return to_mark(float(rng.normal(truth.ph_end, 0.12)), 0.05)


def draw_curve(
    rng: Generator, household: Household, ferment: Ferment, *, original: float, final: float, looks: int
) -> list[Document]:
    """Read a ferment from pitching to its end: a sigmoid between the two gravities as they were read.

    Parameters
    ----------
    rng : Generator
        The community's.
    household : Household
        Whose hydrometer it is.
    ferment : Ferment
        Gives the temperature and the days.
    original, final : float
        First and last reading, SG.
    looks : int
        How many readings, the first and last included.

    """
    hours = np.round(np.linspace(0.0, 24.0 * ferment.days, looks)).tolist()
    warmth = rng.normal(ferment.temperature_c, 0.4, looks)
    between = [
        min(original, read_sg(rng, household, original - (original - final) * _fallen(at / hours[-1])))
        for at in hours[1:-1]
    ]
    return [
        {"at_h": at, "sg": sg, "temperature_c": round(float(c), 1)}
        for at, sg, c in zip(hours, [original, *between, final], warmth, strict=True)
    ]


def _fallen(share: float) -> float:
    """Return how much of the fall is over after a share of the time: 0 at pitching, 1 at the end."""
    low, value, high = (1.0 / (1.0 + math.exp(-_STEEPNESS * (at - _HALFWAY))) for at in (0.0, share, 1.0))
    return (value - low) / (high - low)


def vessel(household: Household, ferment: Ferment, *, arm: str, name: str, original: float, final: float) -> Document:
    """Write down what every vessel of every question has."""
    return {
        "arm": arm,
        "batch": name,
        "original_sg": original,
        "final_sg": final,
        "pitch_c": to_mark(ferment.temperature_c, 0.5),
        "sample_c": 20,
        "degassed": True,
        "instrument": household.instrument,
        "reading_uncertainty_sg": household.mark_sg,
        "notes": INVENTED,
    }
