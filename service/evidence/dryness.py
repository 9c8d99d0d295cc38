"""Did the arms finish dry equally often: yes or no from each, one pair a household."""

from dataclasses import dataclass

from service.evidence.aims import DRYNESS
from service.evidence.beside_blocks import DrynessPairs, DrynessRobustness, DrynessSubset, FinishedDry
from service.evidence.blocks import Estimate, Withheld
from service.evidence.claim import CANNOT_TELL, Claim
from service.evidence.collect import Collected
from service.evidence.compared import Compared
from service.evidence.wording import TOLD_APART, capital, evidence, households, labelled
from service.record.words import distinct, is_among
from service.science.plain_words import counted
from service.science.pooling.pairs import PairCounts, PooledPairs, any_time_evidence, pair_counts, pool_pair_counts


@dataclass(frozen=True, slots=True)
class Dry:
    """The pooled pairs, and what the answer and the certainty rule ask of them."""

    block: FinishedDry
    pooled: PooledPairs
    rows: Compared

    def claim(self) -> Claim:
        """Put the pooled pairs into the terms that the certainty rule weighs."""
        robust = self.block.robustness
        return Claim(
            households=self.pooled.households,
            verdict=CANNOT_TELL,
            e_value=self.pooled.any_time_e_value,
            shows="the arms don't finish dry equally often",
            among="registered",
            in_registered_or_sealed=distinct(self.rows.household[self.rows.number("registered")]),
            batch_luck_open=False,
            unchanged={
                "leaving out any two households": self._without_two() >= TOLD_APART,
                "counting only the registered": (robust.registered_only.any_time_e_value or 0.0) >= TOLD_APART,
                "putting the retracted back": (robust.with_retracted.any_time_e_value or 0.0) >= TOLD_APART,
                "taking every silent start as no difference": (robust.silent_as_no_difference.any_time_e_value or 0.0)
                >= TOLD_APART,
            },
        )

    def _without_two(self) -> float:
        """Give the least evidence that is left without two households: of the larger side, where there are two."""
        pairs = self.pooled.pairs
        more, less = sorted((pairs.only_control, pairs.only_treatment), reverse=True)
        return any_time_evidence(PairCounts(pairs.both, max(more - 2, 0), less, pairs.neither))


def dry(collected: Collected) -> Dry | None:
    """Pool the pairs; None where nobody reported one."""
    rows = _told(collected.of(DRYNESS))
    if not len(rows):
        return None
    pooled = pool_pair_counts(_counts(rows))
    block = FinishedDry(
        households=pooled.households,
        pairs=DrynessPairs.model_validate(pooled.pairs),
        p_value=pooled.p_value,
        exact_p_value=pooled.exact_p_value,
        risk_difference=Estimate.model_validate(pooled.risk_difference),
        conditional_odds_ratio=Estimate.model_validate(pooled.conditional_odds_ratio),
        any_time_e_value=pooled.any_time_e_value,
        robustness=_robustness(collected, rows, pooled),
        primary=collected.primary == DRYNESS,
        withheld=[Withheld.model_validate(each) for each in pooled.withheld],
        reading=_reading(pooled, primary=collected.primary == DRYNESS),
    )
    return Dry(block, pooled, rows)


def _told(rows: Compared) -> Compared:
    """Keep the rows that say of both arms whether they finished dry."""
    return rows.where((rows.number("control_event") >= 0) & (rows.number("treatment_event") >= 0))


def _counts(rows: Compared) -> PairCounts:
    dry_control, dry_treatment = rows.number("control_event") == 1, rows.number("treatment_event") == 1
    return pair_counts(dry_control, dry_treatment, rows.by_household.number)


def _subset(pairs: PairCounts) -> DrynessSubset:
    return DrynessSubset(
        households=pairs.households,
        both=pairs.both,
        only_control=pairs.only_control,
        only_treatment=pairs.only_treatment,
        neither=pairs.neither,
        any_time_e_value=any_time_evidence(pairs) if pairs.households else None,
    )


def _robustness(collected: Collected, rows: Compared, pooled: PooledPairs) -> DrynessRobustness:
    pairs = pooled.pairs
    known = {rows.which: _subset(pairs)}

    def only(kept: Compared) -> DrynessSubset:
        if kept.which not in known:
            known[kept.which] = _subset(_counts(kept))
        return known[kept.which]

    started = collected.silent.household
    unheard = distinct(started[~is_among(started, rows.household)])
    level = PairCounts(pairs.both, pairs.only_control, pairs.only_treatment, pairs.neither + unheard)
    return DrynessRobustness(
        registered_only=only(rows.where(rows.number("registered"))),
        vouched_only=only(rows.where(rows.vouched)),
        conditions_met_only=only(rows.where(rows.number("conditions_met") == 1)),
        with_retracted=only(rows.with_(_told(collected.put_back(DRYNESS)))),
        silent_as_no_difference=_subset(level) if unheard else only(rows),
    )


def dry_answer(pooled: PooledPairs | None, control: str, treatment: str) -> str:
    """Answer a question about finishing dry; the labels are the arms'."""
    if pooled is None or not pooled.households:
        return "No replication has reported whether both arms finished dry yet."
    pairs, who = pooled.pairs, households(pooled.households)
    counts = (
        f"only “{treatment}” finished dry in {counted(pairs.only_treatment)} and only “{control}” in "
        f"{counted(pairs.only_control)}"
    )
    if pooled.households == 1:
        return (
            f"One household has reported: {_one(pairs, control, treatment)}. One household can't speak for the others."
        )
    if pooled.any_time_e_value >= TOLD_APART:
        more, less = (treatment, control) if pairs.only_treatment > pairs.only_control else (control, treatment)
        return f"“{more}” finishes dry more often than “{less}”: of {who} {counts}."
    return f"Not known yet whether “{treatment}” finishes dry more or less often than “{control}”: of {who} {counts}."


def _one(pairs: PairCounts, control: str, treatment: str) -> str:
    if pairs.only_control or pairs.only_treatment:
        return f"only “{treatment if pairs.only_treatment else control}” finished dry"
    return "both arms finished dry" if pairs.both else "neither arm finished dry"


def _reading(pooled: PooledPairs, *, primary: bool) -> str:
    pairs = pooled.pairs
    said = [
        f"{capital(households(pooled.households))}: both arms finished dry in {counted(pairs.both)}, only the control "
        f"in {counted(pairs.only_control)}, only the treatment in {counted(pairs.only_treatment)}, neither in "
        f"{counted(pairs.neither)}."
    ]
    if pairs.only_control + pairs.only_treatment:
        said.append(f"{evidence(pooled.any_time_e_value)}.")
    else:
        said.append("Where no household's arms differ, nothing speaks for a difference or rules one out.")
    return labelled(" ".join(said), primary=primary)
