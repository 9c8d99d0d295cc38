"""Sham trials, two vessels of one arm: how far batch luck alone can be tasted."""

import numpy as np

from service.evidence.aims import EARLIEST_SPLIT, PERCEIVABLE
from service.evidence.collect import Collected
from service.evidence.household_columns import trial_rows
from service.evidence.tasted_subset import subsets
from service.evidence.trial_blocks import ShamTrials
from service.evidence.wording import capital, households
from service.science.plain_words import whole

SHAMS_THAT_EXCLUDE_LUCK = 3
_TOLD_APART = 0.05
_EARLY_SPLITS = {"recipe", "must"}


def sham_trials(collected: Collected, smallest: float) -> ShamTrials | None:
    """Pool the sham trials of either arm; None where nobody held one."""
    rows = collected.of(PERCEIVABLE, sham=True).inside_the_test
    if not len(rows):
        return None
    (pool,) = subsets([trial_rows(rows)], smallest)
    return ShamTrials(
        households=pool.households,
        presentations=pool.presentations,
        correct=pool.correct,
        p_value=pool.p_value,
        proportion_discriminating=pool.proportion_discriminating,
        reading=_reading(pool.households, pool.correct, pool.presentations, told=is_told(pool.p_value)),
    )


def is_told(p_value: float | None) -> bool:
    """Whether two vessels of one arm were themselves told apart."""
    return p_value is not None and p_value <= _TOLD_APART


def _reading(number: int, correct: int, presentations: int, *, told: bool) -> str:
    who = households(number)
    counts = f"{capital(who)} had two vessels of one arm tasted: right {whole(correct)} of {whole(presentations)}."
    if told:
        return f"{counts} That is more than guessing readily gives, so that batch luck alone can be tasted here."
    return f"{counts} That is within what guessing gives; a small batch effect isn't ruled out by so few tastings."


def batch_luck_open(collected: Collected, sham: ShamTrials | None) -> bool:
    """Whether two vessels of one recipe could explain what was tasted.

    They could where the arms part early and few households held sham trials, and wherever the shams were told apart.
    """
    if sham is not None and is_told(sham.p_value):
        return True
    few = sham is None or sham.households < SHAMS_THAT_EXCLUDE_LUCK
    return few and bool(_split_points(collected) & _EARLY_SPLITS)


def _split_points(collected: Collected) -> set[str]:
    """Where the arms part in the replications that are pooled; of another question's protocol, the earliest."""
    known = collected.aims.split_points
    # Another question's protocol has no version here, and -1 is none of ours.
    versions = np.unique(collected.of(PERCEIVABLE).number("protocol_version")).tolist()
    return {known.get(each, EARLIEST_SPLIT) for each in versions}
