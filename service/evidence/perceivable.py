"""Can the arms be told apart, blind? The record's trials, pooled and held against themselves."""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from service.evidence.blocks import (
    ConditionSubset,
    Estimate,
    PerceivableDifference,
    ShamTrials,
    TrialsRobustness,
    TrialsSubset,
    TrialStudyOfRecord,
)
from service.evidence.certainty import Claim
from service.evidence.collect import PERCEIVABLE, Collected, Counted
from service.evidence.wording import TOLD_APART, TastedFigures
from service.record.rows import RecordedObservation, Start
from service.science.discrimination import METHODS, significance
from service.science.pooling.trials import PooledTrials, TrialStudy, pool_trials
from service.science.pooling.without_two import least_log_e_without_two, verdicts_without_two

SMALLEST_THAT_MATTERS = 0.3
SHAMS_THAT_EXCLUDE_LUCK = 3
LONGEST_LIST = 200
_FEWEST_PRESENTATIONS = 6
"""A household's tastings from which its proportion joins the any-time t interval."""
_EARLY_SPLITS = {"recipe", "must"}


@dataclass(frozen=True, slots=True)
class Tasted:
    """The pooled trials, and what the answer and the certainty rule ask of them."""

    pooled: PooledTrials
    block: PerceivableDifference
    figures: TastedFigures
    rows: Sequence[RecordedObservation]

    def claim(self, counts: Counted) -> Claim:
        """Put the pooled trials into the terms that the certainty rule weighs."""
        robust = self.block.robustness
        stricter = {row.household_id for row in self.rows if row.registered or row.sealed}
        return Claim(
            replications=counts.replications,
            households=self.pooled.households,
            verdict=self.pooled.verdict,
            e_value=self.pooled.any_time.e_value,
            started=counts.started,
            reported=counts.reported,
            in_registered_or_sealed=len(stricter),
            batch_luck_open=self.figures.batch_luck_open,
            unchanged={
                "leaving out any two households": self._keeps_without_two(),
                "counting only the sealed or registered": self._holds_in(robust.sealed_or_registered_only),
                "putting the retracted back": self._holds_in(robust.with_retracted),
                "taking every silent start as chance": self._holds_in(robust.silent_as_chance),
            },
        )

    def _holds_in(self, subset: TrialsSubset) -> bool:
        """Whether a subset gives the same answer: "they can tell" by its own evidence, else the same verdict."""
        if self.figures.told_apart:
            return subset.e_value is not None and subset.e_value >= TOLD_APART
        return subset.verdict == self.pooled.verdict

    def _keeps_without_two(self) -> bool:
        households: dict[tuple[object, str], list[int]] = {}
        for row in self.rows:
            counts = households.setdefault((row.household_id, str(row.method)), [0, 0])
            counts[0] += row.correct or 0
            counts[1] += row.presented or 0
        correct, presented = np.array(list(households.values()), dtype=np.int64).reshape(-1, 2).T
        guess = np.array([METHODS[method].guess_probability for _, method in households])
        if self.figures.told_apart:
            return least_log_e_without_two(correct, presented, guess) >= math.log(TOLD_APART)
        if len(set(guess.tolist())) != 1:
            return False
        shares = (correct / presented - guess) / (1.0 - guess)
        found = verdicts_without_two(shares[presented >= _FEWEST_PRESENTATIONS], self.figures.smallest_that_matters)
        return found == {self.pooled.verdict}


def tasted(collected: Collected) -> Tasted:
    """Pool the comparison's blind trials, each set's order a fresh fair draw; the others stand beside."""
    rows = collected.of(PERCEIVABLE)
    inside = [row for row in rows if row.outside_the_test is None]
    smallest = smallest_that_matters(collected)
    studies = [_study(row) for row in inside]
    pooled = pool_trials(studies, smallest_that_matters=smallest)
    sham = _sham(collected)
    block = PerceivableDifference(
        **_shared(pooled),
        studies=[_shown(*each) for each in zip(pooled.studies[:LONGEST_LIST], inside[:LONGEST_LIST], strict=True)],
        studies_total=len(inside),
        smallest_difference_that_matters=smallest,
        verdict=pooled.verdict,
        sham=sham,
        outside_the_test=dict(Counter(str(row.outside_the_test) for row in rows if row.outside_the_test is not None)),
        robustness=_robustness(collected, inside, rows, pooled, smallest),
        withheld=list(pooled.withheld),
        reading=pooled.reading,
    )
    return Tasted(pooled, block, _figures(pooled, collected, sham, smallest), inside)


def smallest_that_matters(collected: Collected) -> float:
    """The proportion discriminating that the protocol says matters."""
    goal = collected.goals.get(PERCEIVABLE, {})
    return float(goal.get("smallest_difference_that_matters") or SMALLEST_THAT_MATTERS)


def batch_luck_open(collected: Collected, sham: ShamTrials | None) -> bool:
    """Whether two vessels of one recipe could explain what was tasted: the arms part early and few ran shams."""
    return collected.split_point in _EARLY_SPLITS and (sham is None or sham.households < SHAMS_THAT_EXCLUDE_LUCK)


def silent(starts: Iterable[Start]) -> list[Start]:
    """The replications that were started and gave no result."""
    return [start for start in starts if start.submitted_position is None]


def _study(row: RecordedObservation) -> TrialStudy:
    return TrialStudy(
        str(row.replication_id), str(row.method), row.presented or 0, row.correct or 0, str(row.household_id)
    )


_SHARED = (
    "households",
    "presentations",
    "correct",
    "expected_by_chance",
    "nobody_can_tell",
    "proportion_discriminating",
    "by_method",
    "d_prime",
    "spread",
    "fit",
    "any_time",
    "one_household_decides",
)


def _shared(pooled: PooledTrials) -> dict[str, object]:
    shared = {name: getattr(pooled, name) for name in _SHARED}
    return {**shared, "leave_one_out": list(pooled.leave_one_out)[:LONGEST_LIST]}


class _Alone(Protocol):
    """One trial by itself: its intervals."""

    @property
    def d_prime(self) -> object:
        """The Thurstonian distance, between its limits."""

    @property
    def proportion_discriminating(self) -> object:
        """The share of servings told apart, between its limits."""


def trial_of_record(row: RecordedObservation) -> TrialStudyOfRecord:
    """Show one replication's blind trial by itself."""
    return _shown(significance(str(row.method), row.presented or 0, row.correct or 0), row)


def _shown(alone: _Alone, row: RecordedObservation) -> TrialStudyOfRecord:
    return TrialStudyOfRecord(
        label=str(row.replication_id),
        household=str(row.household_id),
        method=str(row.method),
        presented=row.presented or 0,
        correct=row.correct or 0,
        d_prime=Estimate.model_validate(alone.d_prime),
        proportion_discriminating=Estimate.model_validate(alone.proportion_discriminating),
        replication=str(row.replication_id),
        sealed=row.sealed,
        registered=row.registered,
        flags=list(row.flags),
    )


def _sham(collected: Collected) -> ShamTrials | None:
    rows = collected.of(PERCEIVABLE, sham=True)
    if not rows:
        return None
    pooled = pool_trials([_study(row) for row in rows])
    return ShamTrials(
        households=pooled.households,
        presentations=pooled.presentations,
        correct=pooled.correct,
        proportion_discriminating=Estimate.model_validate(pooled.proportion_discriminating),
    )


def _subset(pooled: PooledTrials) -> TrialsSubset:
    return TrialsSubset(
        households=pooled.households,
        presentations=pooled.presentations,
        correct=pooled.correct,
        p_value=pooled.nobody_can_tell.p_value if pooled.households else None,
        e_value=pooled.any_time.e_value if pooled.households else None,
        proportion_discriminating=Estimate.model_validate(pooled.proportion_discriminating),
        verdict=pooled.verdict,
    )


def _robustness(
    collected: Collected,
    inside: Sequence[RecordedObservation],
    rows: Sequence[RecordedObservation],
    pooled: PooledTrials,
    smallest: float,
) -> TrialsRobustness:
    whole = [_study(row) for row in inside]

    def over(studies: Sequence[TrialStudy]) -> TrialsSubset:
        same = len(studies) == len(whole)
        return _subset(pooled if same else pool_trials(studies, smallest_that_matters=smallest))

    def only(kept: Iterable[RecordedObservation]) -> TrialsSubset:
        return over([_study(row) for row in kept])

    put_back = [row for row in collected.retracted if row.outcome == PERCEIVABLE and not row.sham]
    return TrialsRobustness(
        sealed_only=only(row for row in inside if row.sealed),
        sealed_or_registered_only=only(row for row in inside if row.sealed or row.registered),
        registered_only=only(row for row in inside if row.registered),
        vouched_only=only(row for row in inside if row.vouched),
        conditions_met_only=only(row for row in inside if row.conditions_met),
        with_retracted=over([*whole, *(_study(row) for row in put_back if row.outside_the_test is None)]),
        with_outside_the_test=only(rows),
        silent_as_chance=over([*whole, *_as_chance(collected)]),
        by_condition=[
            ConditionSubset(condition=key, value=value, **dict(only(kept)))
            for key, value, kept in _by_condition(inside)
        ],
    )


def _as_chance(collected: Collected) -> list[TrialStudy]:
    """Stand in for every silent start a trial of its planned size that did as guessing does."""
    studies = []
    for start in silent(collected.starts):
        method = str(start.plan.get("method"))
        presented = start.plan.get("presentations")
        if method in METHODS and presented:
            right = round(presented * METHODS[method].guess_probability)
            studies.append(TrialStudy(str(start.replication_id), method, presented, right, str(start.household_id)))
    return studies


_LONGEST_CONDITIONS = 12


def _by_condition(rows: Sequence[RecordedObservation]) -> list[tuple[str, str, list[RecordedObservation]]]:
    """Group by each condition that varies, where each value has three households or more."""
    groups: dict[tuple[str, str], list[RecordedObservation]] = {}
    for row in rows:
        for key, value in row.moderators.items():
            groups.setdefault((key, str(value).lower() if isinstance(value, bool) else str(value)), []).append(row)
    values_of = Counter(key for key, _ in groups)
    listed = [
        (key, value, kept)
        for (key, value), kept in sorted(groups.items())
        if values_of[key] > 1 and len({row.household_id for row in kept}) >= 3
    ]
    return listed[:_LONGEST_CONDITIONS]


def _figures(pooled: PooledTrials, collected: Collected, sham: ShamTrials | None, smallest: float) -> TastedFigures:
    share = pooled.proportion_discriminating
    return TastedFigures(
        households=pooled.households,
        correct=pooled.correct,
        presentations=pooled.presentations,
        expected=pooled.expected_by_chance,
        e_value=pooled.any_time.e_value,
        evidence_words=pooled.any_time.words,
        discriminating=share.estimate,
        low=share.low,
        high=share.high,
        smallest_that_matters=smallest,
        verdict=pooled.verdict,
        batch_luck_open=batch_luck_open(collected, sham),
    )
