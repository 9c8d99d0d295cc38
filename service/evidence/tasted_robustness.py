"""Does the answer on blind trials hang on which of them are counted?"""

import math
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from service.evidence.aims import PERCEIVABLE
from service.evidence.claim import CANNOT_TELL
from service.evidence.collect import Collected
from service.evidence.compared import ByHousehold, Compared
from service.evidence.conditions import by_condition
from service.evidence.household_columns import chosen_rows, rows_from, trial_rows
from service.evidence.tasted_subset import subsets
from service.evidence.trial_blocks import ConditionSubset, TrialsRobustness, TrialsSubset
from service.evidence.wording import TOLD_APART
from service.record.start_columns import Starts
from service.record.words import BoolArray, numbered
from service.science.discrimination import METHODS
from service.science.pooling.household_counts import Rows, units_of
from service.science.pooling.trials_left_out import FEWEST_PRESENTATIONS_FOR_T, household_ratios
from service.science.pooling.without_two import (
    least_log_e_without_two,
    least_log_mean_without_two,
    verdicts_without_two,
)

FloatArray = npt.NDArray[np.float64]

_FEWEST_TO_LEAVE_TWO_OUT = 3


@dataclass(frozen=True, slots=True)
class Held:
    """The answer that every other choice of rows is held against."""

    told_apart: bool
    verdict: str

    def in_(self, other: TrialsSubset) -> bool:
        """Whether other rows give the same answer: "they can tell" by their own evidence, else the same verdict."""
        if self.told_apart:
            return other.e_value is not None and other.e_value >= TOLD_APART
        return other.verdict == self.verdict


def robustness(
    collected: Collected, inside: Compared, rows: Compared, laid: Rows, smallest: float, *, without_two: bool | None
) -> TrialsRobustness:
    """Pool other choices of rows, each set of rows once.

    Parameters
    ----------
    collected : Collected
        The record's part, for what was retracted and what stayed silent.
    inside, rows : Compared
        The trials that the test counts, and all of them.
    laid : Rows
        Those that the test counts, laid out for the science.
    smallest : float
        The proportion discriminating that matters.
    without_two : bool or None
        Whether the answer stays whichever two households are left out.

    """
    sealed, registered = inside.number("sealed"), inside.number("registered")
    conditions = by_condition(inside)
    choices = {
        "sealed_only": sealed,
        "sealed_or_registered_only": sealed | registered,
        "registered_only": registered,
        "vouched_only": inside.vouched,
        "conditions_met_only": inside.number("conditions_met") == 1,
    }
    chosen = {_which(kept): kept for kept in (*choices.values(), *(kept for _, _, kept in conditions))}
    # Laid out when their turn comes: all at once they would take several times the memory of the trials.
    pools: dict[Hashable, Callable[[], Rows]] = {
        which: partial(chosen_rows, laid, kept) for which, kept in chosen.items()
    }
    marks: dict[str, Hashable] = {name: _which(kept) for name, kept in choices.items()}
    put_back = collected.put_back(PERCEIVABLE).inside_the_test
    others = {
        "with_retracted": (lambda: trial_rows(inside.with_(put_back))) if len(put_back) else None,
        "with_outside_the_test": None if rows is inside else partial(trial_rows, rows),
        "silent_as_chance": _with_silent_as_chance(collected, inside),
    }
    every = _which(np.ones(len(inside), dtype=np.bool_))
    for name, pool in others.items():
        marks[name] = every if pool is None else name
        pools[marks[name]] = pool or (lambda: laid)
    found = dict(zip(pools, subsets((laid_out() for laid_out in pools.values()), smallest), strict=True))
    return TrialsRobustness(
        **{name: found[mark] for name, mark in marks.items()},
        without_any_two=without_two,
        by_condition=[
            ConditionSubset(condition=key, value=value, **dict(found[_which(kept)])) for key, value, kept in conditions
        ],
    )


def _which(kept: BoolArray) -> bytes:
    """Mark a choice of rows: two choices of the same rows have the same mark."""
    return kept.tobytes()


def _with_silent_as_chance(collected: Collected, inside: Compared) -> Callable[[], Rows] | None:
    """Stand in for every silent start a trial of its planned size that did as guessing does; None where none could."""
    unheard = collected.silent
    plans, which = unheard.plans()
    unheard = unheard.where(plans.those(which, _is_a_trial))
    return partial(_together, inside, unheard) if len(unheard) else None


def _together(inside: Compared, unheard: Starts) -> Rows:
    plans, which = unheard.plans()
    planned = [(str(plan["method"]), int(plan["presentations"])) for plan in plans.said(which)]
    said, codes = inside.words("method")
    kind, first = numbered(codes)
    places = {method: place for place, method in enumerate(said.said(codes[first]))}
    planned_kind = [places.setdefault(method, len(places)) for method, _ in planned]
    right = [round(presented * METHODS[method].guess_probability) for method, presented in planned]
    return rows_from(
        list(places),
        np.concatenate([kind, np.array(planned_kind)]),
        np.concatenate([inside.number("presented"), np.array([presented for _, presented in planned])]),
        np.concatenate([inside.number("correct"), np.array(right)]),
        ByHousehold(*numbered(np.concatenate([inside.household, unheard.household]))),
    )


def _is_a_trial(plan: Mapping[str, Any]) -> bool:
    return plan.get("method") in METHODS and bool(plan.get("presentations"))


def keeps_without_two(columns: Rows, held: Held, smallest: float) -> bool | None:
    """Whether the answer stays whichever two households are left out; None where that would leave none."""
    if columns.households < _FEWEST_TO_LEAVE_TWO_OUT:
        return None
    units = units_of(columns)
    if held.told_apart and len(columns.methods) > 1:
        ratios = household_ratios(units, columns.households)
        return least_log_mean_without_two(ratios, np.ones(len(ratios), dtype=np.int64)) >= math.log(TOLD_APART)
    if held.told_apart:
        return least_log_e_without_two(units.correct, units.presented, units.guess) >= math.log(TOLD_APART)
    if len(columns.methods) > 1:
        return held.verdict == CANNOT_TELL
    shares = (units.correct / units.presented - units.guess) / (1.0 - units.guess)
    found = verdicts_without_two(shares[units.presented >= FEWEST_PRESENTATIONS_FOR_T], smallest)
    return found == {held.verdict}
