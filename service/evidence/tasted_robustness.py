"""Does the answer on blind trials hang on which of them are counted?"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from service.evidence.aims import PERCEIVABLE
from service.evidence.claim import CANNOT_TELL
from service.evidence.collect import Collected
from service.evidence.conditions import by_condition
from service.evidence.counting import silent
from service.evidence.tasted_subset import study_of, subset
from service.evidence.trial_blocks import ConditionSubset, TrialsRobustness, TrialsSubset
from service.evidence.wording import TOLD_APART
from service.record.rows import RecordedObservation
from service.science.discrimination import METHODS
from service.science.pooling.household_counts import rows_of, units_of
from service.science.pooling.trial_results import TrialStudy
from service.science.pooling.trials_left_out import FEWEST_PRESENTATIONS_FOR_T, household_ratios
from service.science.pooling.without_two import least_log_e_without_two, verdicts_without_two

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
    collected: Collected,
    inside: Sequence[RecordedObservation],
    rows: Sequence[RecordedObservation],
    smallest: float,
    *,
    without_two: bool | None,
) -> TrialsRobustness:
    """Pool other choices of rows, each set of rows once.

    Parameters
    ----------
    collected : Collected
        The record's part, for what was retracted and what stayed silent.
    inside, rows : sequence
        The trials that the test counts, and all of them.
    smallest : float
        The proportion discriminating that matters.
    without_two : bool or None
        Whether the answer stays whichever two households are left out.

    """
    studies = {row.id: study_of(row) for row in rows}
    known: dict[tuple[int, ...], TrialsSubset] = {}

    def only(kept: Sequence[RecordedObservation]) -> TrialsSubset:
        key = tuple(row.id for row in kept)
        if key not in known:
            known[key] = subset([studies.get(row.id) or study_of(row) for row in kept], smallest)
        return known[key]

    put_back = [row for row in collected.put_back(PERCEIVABLE) if row.outside_the_test is None]
    unheard = list(_as_chance(collected))
    whole = [studies[row.id] for row in inside]
    return TrialsRobustness(
        sealed_only=only([row for row in inside if row.sealed]),
        sealed_or_registered_only=only([row for row in inside if row.sealed or row.registered]),
        registered_only=only([row for row in inside if row.registered]),
        vouched_only=only([row for row in inside if row.vouched]),
        conditions_met_only=only([row for row in inside if row.conditions_met]),
        with_retracted=only(sorted([*inside, *put_back], key=_received)),
        with_outside_the_test=only(rows),
        silent_as_chance=subset([*whole, *unheard], smallest) if unheard else only(inside),
        without_any_two=without_two,
        by_condition=[
            ConditionSubset(condition=key, value=value, **dict(only(kept))) for key, value, kept in by_condition(inside)
        ],
    )


def _received(row: RecordedObservation) -> tuple[int, int]:
    return row.entered_position, row.id


def _as_chance(collected: Collected) -> Iterator[TrialStudy]:
    """Stand in for every silent start a trial of its planned size that did as guessing does."""
    for start in silent(collected.starts):
        method = str(start.plan.get("method"))
        presented = start.plan.get("presentations")
        if method in METHODS and presented:
            right = round(presented * METHODS[method].guess_probability)
            yield TrialStudy(str(start.replication_id), method, presented, right, str(start.household_id))


def keeps_without_two(rows: Sequence[RecordedObservation], held: Held, smallest: float) -> bool | None:
    """Whether the answer stays whichever two households are left out; None where that would leave none."""
    columns = rows_of([study_of(row) for row in rows])
    if columns.households < _FEWEST_TO_LEAVE_TWO_OUT:
        return None
    units = units_of(columns)
    if held.told_apart and len(columns.methods) > 1:
        return _least_log_e_without_two(household_ratios(units, columns.households)) >= math.log(TOLD_APART)
    if held.told_apart:
        return least_log_e_without_two(units.correct, units.presented, units.guess) >= math.log(TOLD_APART)
    if len(columns.methods) > 1:
        return held.verdict == CANNOT_TELL
    shares = (units.correct / units.presented - units.guess) / (1.0 - units.guess)
    found = verdicts_without_two(shares[units.presented >= FEWEST_PRESENTATIONS_FOR_T], smallest)
    return found == {held.verdict}


def _least_log_e_without_two(ratios: FloatArray) -> float:
    """Find the least evidence without two households, each with all its methods."""
    total = ratios.sum(axis=0)
    left = (total - ratios[first] - ratios[first + 1 :] for first in range(len(ratios) - 1))
    return min(float(special.logsumexp(each, axis=1).min()) for each in left) - math.log(ratios.shape[1])
