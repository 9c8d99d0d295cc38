"""Can the arms be told apart, blind? The record's trials, pooled and held against themselves."""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from service.evidence.aims import PERCEIVABLE
from service.evidence.blocks import LONGEST_LIST, Estimate, TrialStudyOfRecord, Withheld
from service.evidence.claim import Claim
from service.evidence.collect import Collected
from service.evidence.compared import Compared, outside_the_test
from service.evidence.household_columns import named_trial_rows
from service.evidence.listed_rows import ListedRow, listed
from service.evidence.sham import batch_luck_open, is_told, sham_trials
from service.evidence.tasted_robustness import Held, keeps_without_two, robustness
from service.evidence.tasted_subset import deciding_range
from service.evidence.tasted_words import TastedFigures
from service.evidence.trial_blocks import PerceivableDifference, ShamTrials
from service.evidence.wording import TOLD_APART, labelled
from service.record.rows import RecordedObservation
from service.record.words import distinct
from service.science.discrimination import significance
from service.science.pooling.trials import PooledTrials, pool_rows

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tasted:
    """The pooled trials, and what the answer and the certainty rule ask of them. `log_path` is the evidence's path."""

    block: PerceivableDifference
    figures: TastedFigures
    rows: Compared
    log_path: FloatArray

    def claim(self) -> Claim:
        """Put the pooled trials into the terms that the certainty rule weighs."""
        robust = self.block.robustness
        holds = Held(self.figures.told_apart, self.figures.verdict)
        return Claim(
            households=self.figures.households,
            verdict=self.figures.verdict,
            e_value=self.figures.e_value,
            shows="they can tell",
            among="sealed or registered",
            in_registered_or_sealed=distinct(
                self.rows.household[self.rows.number("registered") | self.rows.number("sealed")]
            ),
            batch_luck_open=self.figures.luck != "excluded",
            unchanged={
                "leaving out any two households": robust.without_any_two is True,
                "counting only the sealed or registered": holds.in_(robust.sealed_or_registered_only),
                "putting the retracted back": holds.in_(robust.with_retracted),
                "taking every silent start as chance": holds.in_(robust.silent_as_chance),
            },
        )


def tasted(collected: Collected) -> Tasted:
    """Pool the comparison's blind trials, each set's order a fresh fair draw; the others stand beside."""
    rows = collected.of(PERCEIVABLE)
    inside = rows.inside_the_test
    smallest = collected.aims.smallest[PERCEIVABLE]
    laid = named_trial_rows(inside)
    pooled = pool_rows(laid, smallest_that_matters=smallest, listed=LONGEST_LIST)
    decided = pooled.verdict
    sham = sham_trials(collected, smallest)
    held = Held(pooled.any_time.e_value >= TOLD_APART, decided)
    block = PerceivableDifference(
        **_shared(pooled),
        studies=[_shown(*each) for each in zip(pooled.studies, listed(inside), strict=True)],
        studies_total=len(inside),
        smallest_difference_that_matters=smallest,
        verdict=decided,
        primary=collected.primary == PERCEIVABLE,
        sham=sham,
        outside_the_test=outside_the_test(rows),
        robustness=robustness(
            collected, inside, rows, laid, smallest, without_two=keeps_without_two(laid, held, smallest)
        ),
        withheld=_withheld(pooled),
        reading=labelled(pooled.reading, primary=collected.primary == PERCEIVABLE),
    )
    figures = _figures(pooled, collected, sham, smallest, decided)
    return Tasted(block, figures, inside, pooled.any_time.log_path)


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
    return {**shared, "leave_one_out": list(pooled.leave_one_out)}


def _withheld(pooled: PooledTrials) -> list[Withheld]:
    """List what isn't given, of what this block has at all."""
    return [
        Withheld.model_validate(each)
        for each in pooled.withheld
        if all(name.split(".")[0] in PerceivableDifference.model_fields for name in each.output.split(", "))
    ]


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


def _shown(alone: _Alone, row: RecordedObservation | ListedRow) -> TrialStudyOfRecord:
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


def _figures(
    pooled: PooledTrials, collected: Collected, sham: ShamTrials | None, smallest: float, decided: str
) -> TastedFigures:
    share = pooled.proportion_discriminating
    several, least = len(pooled.by_method) > 1, pooled.least_e_value_without_one
    decides = deciding_range(
        [each.method for each in pooled.by_method], pooled.any_time.exact_interval, pooled.any_time.interval
    )
    size = pooled.d_prime if several else decides
    told = sham is not None and is_told(sham.p_value)
    return TastedFigures(
        households=pooled.households,
        correct=pooled.correct,
        presentations=pooled.presentations,
        expected=pooled.expected_by_chance,
        e_value=pooled.any_time.e_value,
        discriminating=share.estimate,
        d_prime=_finite(pooled.d_prime.estimate),
        low=_finite(size.low),
        high=_finite(size.high),
        at_most=_finite(share.high),
        smallest_that_matters=smallest,
        verdict=decided,
        rests_on_one=least is not None and least < TOLD_APART,
        below_chance=pooled.below_chance,
        luck="shown" if told else "open" if batch_luck_open(collected, sham) else "excluded",
    )


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
