"""What is true in the invented community, stated before anything is drawn. Nobody measured any of it.

| | clearing a grain wash before the strip run | feeding a mead in steps | opening a cider in its first days |
| --- | --- | --- | --- |
| replications | 17 | 14 | 14 |
| design | one ferment, parted before the run | one must, nutrient at once or in four steps; both arms sweetened to \
one gravity (within 0.001) before tasting | one juice, lid open on days 1 to 3 or closed |
| original -> final gravity (sd) | 1.064 (.004) -> 1.004 (.003) | 1.100 (.006) -> 1.012 (.004) in the control | \
1.050 (.004) -> 1.000 (.002) |
| degC, days | 28 +- 3, 6 +- 2 | 19 +- 2, 28 +- 7 | 17 +- 2, 16 +- 4 |
| tasted at | 20 +- 0.3 % vol | as fermented, sweetened | as fermented |
| difference in final gravity (sd between households) | 0 (.001) | -.006 (.003) | 0 (.0018) |
| smallest that matters, primary outcome | discriminating 0.2 | final gravity .002 | final gravity .003 |
| proportion discriminating | logit -0.2 (sd 0.8) | 0 | 0 |
| to be found | they can tell | bigger than matters; not shown to be tasted | practically the same |

Differences are the treatment less the control. What follows "+-" is two standard deviations between households, and the
tolerance of the protocol. Gravities are read with the household's own instrument, which adds its reading uncertainty.
No condition (still, yeast and so on) changes anything, nobody likes either arm better, and words fit both arms equally
but for one: "grainy" in the wash.

Of the 17 on the wash four hold a sham trial, of two vessels of one arm, at which nobody can tell; in one the cleared
half is set cold too early and stalls; in one the tasting strengths don't match. One household registers a mead and is
never heard of again.
"""

from dataclasses import dataclass
from datetime import date
from typing import Final

INVENTED: Final = "Invented for demonstration by a seeded script: no such household, nothing was fermented or tasted."
"""Stands in every document."""

SEED: Final = 1
"""The first that was tried. Of the seeds 1 to 300, 70 in 100 come to all of what is to be found by the any-time rules;
the others mostly leave a measured verdict open, as so few households sometimes must."""

HOUSEHOLDS: Final = 30


@dataclass(frozen=True, slots=True)
class Spread:
    """A quantity that differs between households."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of one question.

    `discriminating` is on the logit of the proportion of sets truly told apart; None where nobody can. `waiting_days`
    is the shortest and longest time from the end of the ferment to the first glass, and `pitched` the days between
    which households begin.
    """

    slug: str
    replications: int
    registered: int
    original_sg: Spread
    final_sg: Spread
    temperature_c: Spread
    days: Spread
    difference_sg: Spread
    discriminating: Spread | None
    primary_outcome: str
    smallest_that_matters: float
    ph_end: float
    words: dict[str, tuple[float, float]]
    waiting_days: tuple[int, int]
    asked: date
    pitched: tuple[date, date]


WASH: Final = Truth(
    slug="clearing-a-wash-before-the-strip-run",
    replications=17,
    registered=9,
    original_sg=Spread(1.064, 0.004),
    final_sg=Spread(1.004, 0.003),
    temperature_c=Spread(28.0, 1.5),
    days=Spread(6.0, 1.0),
    difference_sg=Spread(0.0, 0.001),
    discriminating=Spread(-0.2, 0.8),
    primary_outcome="perceivable_difference",
    smallest_that_matters=0.2,
    ph_end=4.0,
    words={"grainy": (0.55, 0.35), "fruity": (0.3, 0.3), "buttery": (0.15, 0.15)},
    waiting_days=(12, 24),
    asked=date(2025, 2, 3),
    pitched=(date(2025, 2, 20), date(2026, 8, 20)),
)
MEAD: Final = Truth(
    slug="feeding-a-mead-in-steps",
    replications=14,
    registered=7,
    original_sg=Spread(1.100, 0.006),
    final_sg=Spread(1.012, 0.004),
    temperature_c=Spread(19.0, 1.0),
    days=Spread(28.0, 3.5),
    difference_sg=Spread(-0.006, 0.003),
    discriminating=None,
    primary_outcome="final_sg",
    smallest_that_matters=0.002,
    ph_end=3.4,
    words={"floral": (0.4, 0.4), "hot": (0.25, 0.25), "sulphur": (0.15, 0.15)},
    waiting_days=(45, 100),
    asked=date(2025, 2, 17),
    pitched=(date(2025, 3, 1), date(2026, 5, 20)),
)
CIDER: Final = Truth(
    slug="opening-a-cider-in-its-first-days",
    replications=14,
    registered=7,
    original_sg=Spread(1.050, 0.004),
    final_sg=Spread(1.000, 0.002),
    temperature_c=Spread(17.0, 1.0),
    days=Spread(16.0, 2.0),
    difference_sg=Spread(0.0, 0.0018),
    discriminating=None,
    primary_outcome="final_sg",
    smallest_that_matters=0.003,
    ph_end=3.6,
    words={"apple": (0.6, 0.6), "sharp": (0.35, 0.35), "vinegar": (0.1, 0.1)},
    waiting_days=(25, 60),
    asked=date(2025, 3, 10),
    pitched=(date(2025, 3, 20), date(2026, 8, 1)),
)
TRUTHS: Final = (WASH, MEAD, CIDER)

SHAM_TRIALS: Final = 4
STALLED_ABOVE_SG: Final = Spread(0.009, 0.001)
"""How far above its final gravity the one stalled half stays."""

TASTING_ABV_PERCENT: Final = Spread(20.0, 0.07)
UNMATCHED_BY_PERCENT: Final = (0.6, 0.9)
"""Between which two the one unmatched pair of strengths is apart."""

LIKED: Final = (0.45, 0.45, 0.1)
"""Chance that the control, the treatment or neither is liked better in a pair."""


@dataclass(frozen=True, slots=True)
class Practice:
    """How carefully these households work: each figure is the share of them that does it."""

    narrow_hydrometer: float = 0.6
    ph_meter: float = 0.7
    two_tasters: float = 0.35
    three_tasters: float = 0.1
    twelve_sets: float = 0.7
    orders_afresh: float = 0.9
    told_during: float = 0.03
    helper_holds_key: float = 0.85
    taster_holds_key: float = 0.03
    masked: float = 0.9
    drawn: float = 0.7
    chosen: float = 0.1
    pairs_after: float = 0.6
    cleans_between: float = 0.9
    cuts_by_taste: float = 0.06
    notes_heat: float = 0.9


PRACTICE: Final = Practice()
