"""Invented blind trials: what a household answers when its true share of sets told apart is as stated."""

from datetime import date
from typing import Final

import numpy as np
from numpy.random import Generator
from scipy import special

from seed_demo.drawing import Document, happens, normal
from seed_demo.households import Household
from seed_demo.truth import LIKED, PRACTICE, Truth
from service.science.trial_methods import find_method

METHOD: Final = "triangle"
PLANNED: Final = 12
_OTHER_NUMBERS: Final = (10, 18)
_PAIRS_EACH: Final = 4


def draw_planned(rng: Generator) -> int:
    """Draw how many sets a household plans: twelve as the protocol says, or a number of its own."""
    if happens(rng, PRACTICE.twelve_sets):
        return PLANNED
    return int(rng.integers(_OTHER_NUMBERS[0], _OTHER_NUMBERS[1] + 1))


def draw_discriminating(rng: Generator, truth: Truth) -> float:
    """Draw in what share of sets a household truly tells the arms apart."""
    return 0.0 if truth.discriminating is None else float(special.expit(normal(rng, truth.discriminating)))


def draw_trial(
    rng: Generator, truth: Truth, household: Household, tasted_on: date, *, sets: int, discriminating: float
) -> Document:
    """Hold one blind trial of the control against the treatment."""
    return {
        **_held(rng, household, tasted_on, sets),
        "treatment": "treatment",
        "assessors": _answers(rng, household, sets, discriminating),
        **(_pairs(rng, truth, household) if happens(rng, PRACTICE.pairs_after) else {}),
    }


def draw_sham(rng: Generator, household: Household, tasted_on: date) -> Document:
    """Hold one blind trial of two vessels of the control, which nobody can tell apart."""
    return {
        **_held(rng, household, tasted_on, PLANNED),
        "treatment": "control",
        "assessors": _answers(rng, household, PLANNED, 0.0),
    }


def _held(rng: Generator, household: Household, tasted_on: date, sets: int) -> Document:
    lone = household.tasters == 1
    afresh = happens(rng, PRACTICE.orders_afresh)
    holder = rng.random()
    helper, taster = PRACTICE.helper_holds_key, PRACTICE.taster_holds_key
    return {
        "method": METHOD,
        "control": "control",
        "tasted_on": tasted_on.isoformat(),
        "planned": sets,
        "order_draw": "each_afresh" if afresh else "unknown" if lone else "blocks",
        "told_during": happens(rng, PRACTICE.told_during),
        "key_held_by": "helper" if holder < helper else "taster" if holder < helper + taster else "nobody",
        "serving_c": float(rng.integers(14, 21)),
        "appearance_masked": happens(rng, PRACTICE.masked),
    }


def _answers(rng: Generator, household: Household, sets: int, discriminating: float) -> list[Document]:
    """Share the sets out among the tasters; each is answered by telling or else by guessing."""
    guess = find_method(METHOD).guess_probability
    right = guess + (1.0 - guess) * discriminating
    shares = [len(part) for part in np.array_split(np.arange(sets), household.tasters)]
    return [
        {"assessor": f"p{place}", "presented": share, "correct": int(rng.binomial(share, right))}
        for place, share in enumerate(shares, start=1)
    ]


def _pairs(rng: Generator, truth: Truth, household: Household) -> Document:
    """Ask in coded pairs, after the triangles, which is liked better and which words fit."""
    pairs = _PAIRS_EACH * household.tasters
    liked = rng.multinomial(pairs, LIKED).tolist()
    return {
        "preferred": dict(zip(("control", "treatment", "neither"), liked, strict=True)),
        "descriptors": [_word(rng, term, chances, pairs) for term, chances in truth.words.items()],
    }


def _word(rng: Generator, term: str, chances: tuple[float, float], pairs: int) -> Document:
    control, treatment = (rng.random(pairs) < chance for chance in chances)
    return {
        "term": term,
        "both": int(np.sum(control & treatment)),
        "only_control": int(np.sum(control & ~treatment)),
        "only_treatment": int(np.sum(~control & treatment)),
        "neither": int(np.sum(~control & ~treatment)),
    }
