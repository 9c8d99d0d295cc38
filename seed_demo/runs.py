"""Invented strip runs: fractions that take the same volumes of every charge, and glasses at one strength."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from numpy.random import Generator

from seed_demo.drawing import Document, happens, normal, one_of, to_mark
from seed_demo.truth import PRACTICE, TASTING_ABV_PERCENT, UNMATCHED_BY_PERCENT
from service.science.gravity import attenuation

_FRACTIONS: Final = (("first runnings", 0.01, 7.6), ("middle", 0.12, 5.2), ("last runnings", 0.1, 1.9))
"""Name, share of the charge's volume, and strength over the charge's: they hold about nine tenths of its alcohol."""

_STRENGTH_SD: Final = 0.02


@dataclass(frozen=True, slots=True)
class Still:
    """How one household runs every half of its wash."""

    heat_w: float | None
    cut_rule: str
    cleaned_between: bool
    water: str
    proofed_at: datetime
    rest_h: float


def draw_still(rng: Generator, proofed_at: datetime, tasted_at: datetime) -> Still:
    """Draw a household's way of running."""
    heat = 100.0 * float(rng.integers(12, 21))
    return Still(
        heat_w=heat if happens(rng, PRACTICE.notes_heat) else None,
        cut_rule="taste" if happens(rng, PRACTICE.cuts_by_taste) else "volume",
        cleaned_between=happens(rng, PRACTICE.cleans_between),
        water=one_of(rng, "distilled water", "filtered rain water", "boiled tap water"),
        proofed_at=proofed_at,
        rest_h=(tasted_at - proofed_at).total_seconds() / 3600.0,
    )


def draw_glass_percent(rng: Generator, *, unmatched: bool) -> float:
    """Draw the strength to which a half was brought; the unmatched one is too strong."""
    off = float(rng.uniform(*UNMATCHED_BY_PERCENT)) if unmatched else 0.0
    return to_mark(normal(rng, TASTING_ABV_PERCENT) + off, 0.05)


def draw_run(
    rng: Generator, still: Still, *, order: int, volume_l: float, original_sg: float, final_sg: float, glass: float
) -> Document:
    """Run one half.

    Parameters
    ----------
    rng : Generator
        The community's.
    still : Still
        How this household runs.
    order : int
        Which run it was, from 1.
    volume_l : float
        Of the half, litres; a little is left behind with the yeast.
    original_sg, final_sg : float
        As read: they give the strength of the charge.
    glass : float
        Tasting strength, % vol.

    """
    charge_l = to_mark(0.95 * volume_l, 0.1)
    charge_abv = round(float(attenuation(original_sg, final_sg).abv_percent), 1)
    return {
        "charge_l": charge_l,
        "charge_abv_percent": charge_abv,
        "run_order": order,
        "cleaned_between": still.cleaned_between,
        **({} if still.heat_w is None else {"heat_w": still.heat_w}),
        "cut_rule": still.cut_rule,
        "cutter_knew_arm": still.cut_rule == "taste",
        "fractions": [
            {
                "name": name,
                "volume_l": to_mark(share * charge_l, 0.01),
                "abv_percent": to_mark(times * charge_abv * float(rng.normal(1.0, _STRENGTH_SD)), 0.5),
            }
            for name, share, times in _FRACTIONS
        ],
        "tasting_abv_percent": glass,
        "tasting_sample_c": to_mark(float(rng.normal(20.0, 0.6)), 0.5),
        "proofing_water": still.water,
        "proofed_at": still.proofed_at.isoformat(),
        "rest_h": still.rest_h,
    }
