"""Which arm is liked better, blind: one share a household, held against one half."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.evidence.aims import PREFERENCE
from service.evidence.beside_blocks import Preference, PreferencePooled, PreferenceSigns, PreferenceStudy
from service.evidence.blocks import AnyTimeMean, Estimate, Range, Withheld
from service.evidence.claim import CANNOT_TELL, Claim
from service.evidence.collect import Collected
from service.evidence.compared import Compared, outside_the_test
from service.evidence.household_columns import sums
from service.evidence.listed_rows import ListedRow, listed
from service.evidence.preferred_words import PreferredFigures, preferred_reading
from service.record.words import distinct
from service.science.binomial import clopper_pearson
from service.science.paired_difference import two_sided_p_value
from service.science.pooling.any_time_t import any_time_t, spread
from service.science.pooling.betting import betting_interval
from service.science.pooling.household_mean import sign_count, student
from service.science.pooling.verdict import verdict
from service.science.pooling.without_two import verdicts_without_two

_EVEN = 0.5
_CONFIDENCE = 0.95
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Preferred:
    """The pooled preferences, and what the answer and the certainty rule ask of them."""

    block: Preference
    figures: PreferredFigures
    rows: Compared
    collected: Collected

    def claim(self) -> Claim:
        """Put the pooled preferences into the terms that the certainty rule weighs."""
        smallest, decided = self.block.smallest_difference_that_matters, self.block.verdict
        retracted = self.collected.put_back(PREFERENCE).inside_the_test
        even = [_EVEN] * distinct(self.collected.silent.household)
        promised = self.rows.where(self.rows.number("registered") | self.rows.number("sealed"))
        shares = _shares(self.rows)

        def same(values: FloatArray) -> bool:
            return _verdict(values, smallest) == decided

        return Claim(
            households=len(shares),
            verdict=decided,
            e_value=None,
            shows="",
            among="sealed or registered",
            in_registered_or_sealed=len(_shares(promised)),
            batch_luck_open=False,
            unchanged={
                "leaving out any two households": smallest is not None
                and verdicts_without_two(shares - _EVEN, smallest) == {decided},
                "counting only the sealed or registered": same(_shares(promised)),
                "putting the retracted back": same(_shares(self.rows.with_(retracted))),
                "taking every silent start as even": same(np.array([*shares, *even])),
            },
        )


def preferred(collected: Collected) -> Preferred | None:
    """Pool the preferences; None where nobody was asked."""
    every = collected.of(PREFERENCE)
    if not len(every):
        return None
    rows = every.inside_the_test
    liked = _sums(rows)
    smallest = collected.aims.smallest.get(PREFERENCE)
    shares = _shares(rows)
    bound, fixed, signs = (
        any_time_t(shares, _CONFIDENCE, _EVEN),
        student(shares, _CONFIDENCE),
        sign_count(shares - _EVEN),
    )
    figures = PreferredFigures(
        households=len(shares),
        control=liked["control"],
        treatment=liked["treatment"],
        neither=liked["neither"],
        share=fixed.estimate,
        low=bound.low,
        high=bound.high,
        e_value=bound.e_value,
        lean_control=signs.lower,
        lean_treatment=signs.higher,
        primary=collected.primary == PREFERENCE,
    )
    block = Preference(
        households=len(shares),
        presented=sum(liked.values()),
        preferred_control=liked["control"],
        preferred_treatment=liked["treatment"],
        no_preference=liked["neither"],
        share_preferring_treatment=Estimate(estimate=fixed.estimate, low=_share(fixed.low), high=_share(fixed.high)),
        any_time=AnyTimeMean(low=_share(bound.low), high=_share(bound.high), e_value=bound.e_value),
        exact_interval=Range.model_validate(betting_interval(shares, _CONFIDENCE)),
        sd_between_households=spread(shares) if len(shares) > 1 else None,
        sign_count=PreferenceSigns(
            control=signs.lower, treatment=signs.higher, even=signs.equal, p_value=signs.p_value
        ),
        pooled=_pooled(liked),
        studies=[_study(row) for row in listed(rows)],
        studies_total=len(rows),
        outside_the_test=outside_the_test(every),
        primary=figures.primary,
        smallest_difference_that_matters=smallest,
        verdict=_verdict(shares, smallest),
        withheld=_withheld(shares),
        reading=preferred_reading(figures),
    )
    return Preferred(block, figures, rows, collected)


def _sums(rows: Compared) -> dict[str, int]:
    return {name: int(_count(rows, name).sum()) for name in ("control", "treatment", "neither")}


def _count(rows: Compared, name: str) -> FloatArray:
    return np.nan_to_num(rows.told_number(name))


def _shares(rows: Compared) -> FloatArray:
    """Give each household's share that prefers the treatment, among its answers with a preference."""
    treatment = sums(rows.household, _count(rows, "treatment"))
    decided = treatment + sums(rows.household, _count(rows, "control"))
    return treatment[decided > 0.0] / decided[decided > 0.0]


def _verdict(shares: FloatArray, smallest: float | None) -> str:
    return CANNOT_TELL if smallest is None else verdict(smallest, any_time_t(shares - _EVEN, _CONFIDENCE))


def _share(value: float | None) -> float | None:
    return None if value is None else min(max(value, 0.0), 1.0)


def _pooled(liked: Mapping[str, int]) -> PreferencePooled:
    treatment, decided = liked["treatment"], liked["control"] + liked["treatment"]
    if not decided:
        return PreferencePooled(p_value=None, share_preferring_treatment=Estimate(estimate=None, low=None, high=None))
    # Without the calculator's bound on counts: a community may give more answers than one table can.
    low, high = clopper_pearson(np.float64(treatment), np.float64(decided), np.float64(_CONFIDENCE))
    fewer, many = (np.asarray(each, dtype=np.float64) for each in (min(treatment, decided - treatment), decided))
    return PreferencePooled(
        p_value=float(two_sided_p_value(fewer, many)),
        share_preferring_treatment=Estimate(estimate=treatment / decided, low=float(low), high=float(high)),
    )


def _study(row: ListedRow) -> PreferenceStudy:
    liked = {name: int(row.details.get(name) or 0) for name in ("control", "treatment", "neither")}
    return PreferenceStudy(
        replication=row.replication_id,
        household=row.household_id,
        control=liked["control"],
        treatment=liked["treatment"],
        neither=liked["neither"],
        registered=row.registered,
        flags=list(row.flags),
    )


def _withheld(shares: FloatArray) -> list[Withheld]:
    if not len(shares):
        return [Withheld(output="share_preferring_treatment, any_time", reason="nobody gave a preference")]
    fixed, bound = student(shares, _CONFIDENCE), any_time_t(shares, _CONFIDENCE, _EVEN)
    reason = "too few households for a range, or households that don't differ"
    withheld = []
    if fixed.low is None:
        limits = "share_preferring_treatment.low, share_preferring_treatment.high"
        withheld.append(Withheld(output=limits, reason=reason))
    if bound.low is None:
        withheld.append(Withheld(output="any_time.low, any_time.high", reason=reason))
    return withheld
