"""The invented households: what they have in the kitchen, and who takes part in what."""

from dataclasses import dataclass
from typing import Final

from numpy.random import Generator

from seed_demo.truth import HOUSEHOLDS, PRACTICE, TRUTHS

_KITCHENS: Final = (
    "a cool pantry and a narrow counter",
    "a cellar under the stairs",
    "a shed with a heat mat",
    "a spare room that faces north",
    "a garage bench beside the boiler",
    "a flat with one warm cupboard",
)


@dataclass(frozen=True, slots=True)
class Household:
    """An invented kitchen and those who taste in it. `mark_sg` is one mark of its hydrometer."""

    number: int
    kitchen: str
    mark_sg: float
    ph_meter: bool
    tasters: int

    @property
    def name(self) -> str:
        """What it is called in the record."""
        return f"Invented kitchen {self.number:02d}"

    @property
    def instrument(self) -> str:
        """What gravity is read with; one mark is also its reading uncertainty."""
        return f"hydrometer with marks of {self.mark_sg:g}"


def draw_households(rng: Generator) -> tuple[Household, ...]:
    """Draw the community."""
    return tuple(_household(rng, number) for number in range(1, HOUSEHOLDS + 1))


def _household(rng: Generator, number: int) -> Household:
    several = rng.random()
    three, two = PRACTICE.three_tasters, PRACTICE.two_tasters
    return Household(
        number=number,
        kitchen=_KITCHENS[rng.integers(len(_KITCHENS))],
        mark_sg=0.0005 if rng.random() < PRACTICE.narrow_hydrometer else 0.001,
        ph_meter=bool(rng.random() < PRACTICE.ph_meter),
        tasters=3 if several < three else 2 if several < three + two else 1,
    )


def draw_seats(rng: Generator, households: tuple[Household, ...]) -> dict[str, list[Household]]:
    """Share the questions out by lot: everybody takes part in one, some in two or three, none twice in one."""
    order = [households[place] for place in rng.permutation(len(households))]
    seats: dict[str, list[Household]] = {}
    taken = 0
    for truth in TRUTHS:
        new = order[taken : taken + truth.replications]
        again = rng.permutation(taken)[: truth.replications - len(new)]
        taken += len(new)
        seats[truth.slug] = new + [order[place] for place in again]
    return seats
