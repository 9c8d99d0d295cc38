"""A pool of blind trials in short: what a stricter or looser choice of rows would say."""

from collections.abc import Iterable, Iterator, Sequence

from service.evidence.blocks import Estimate
from service.evidence.claim import CANNOT_TELL
from service.evidence.trial_blocks import TrialsSubset
from service.science.discrimination import METHODS
from service.science.pooling.any_time import Counts, e_values
from service.science.pooling.any_time_t import any_time_t
from service.science.pooling.betting import betting_interval
from service.science.pooling.detection import null_of
from service.science.pooling.household_counts import Rows, Units, units_of
from service.science.pooling.results import NO_RANGE, AnyRange, Range
from service.science.pooling.trials import only_above_chance
from service.science.pooling.trials_left_out import (
    FEWEST_HOUSEHOLDS_FOR_T,
    FEWEST_PRESENTATIONS_FOR_T,
    discriminating_range,
)
from service.science.pooling.verdict import verdict

_CONFIDENCE = 0.95
_NOTHING = Estimate(estimate=None, low=None, high=None)


def subsets(pools: Iterable[Rows], smallest: float) -> list[TrialsSubset]:
    """Pool several choices of trials in short: the exact test, the evidence, and the verdict of the any-time interval.

    `smallest` is the proportion discriminating that matters. Of large pools no two need be there at once.
    """
    found: list[TrialsSubset] = []

    def counts() -> Iterator[Counts]:
        for rows in pools:
            units = units_of(rows)
            found.append(_subset(rows, units, smallest) if rows.households else _nothing())
            if rows.households:
                yield Counts(units.correct, units.presented, units.guess, units.household)

    evidence = iter(e_values(counts()))
    return [each.model_copy(update={"e_value": next(evidence)}) if each.households else each for each in found]


def _nothing() -> TrialsSubset:
    return TrialsSubset(
        households=0,
        presentations=0,
        correct=0,
        p_value=None,
        e_value=None,
        proportion_discriminating=_NOTHING,
        verdict=CANNOT_TELL,
    )


def _subset(rows: Rows, units: Units, smallest: float) -> TrialsSubset:
    """Pool one choice of trials; its evidence is weighed with that of the others."""
    null = null_of(units.correct, units.presented, units.guess)
    share, decided = _NOTHING, CANNOT_TELL
    if len(rows.methods) == 1:
        guess = METHODS[rows.methods[0]].guess_probability
        shares = units.correct / units.presented
        enough = units.presented >= FEWEST_PRESENTATIONS_FOR_T
        bound = Range(None, None)
        if int(enough.sum()) >= FEWEST_HOUSEHOLDS_FOR_T:
            found = any_time_t(shares[enough], _CONFIDENCE)
            bound = Range(found.low, found.high)
        if bound.low is None:
            bound = betting_interval(shares, _CONFIDENCE)
        between = discriminating_range(bound, guess)
        share = _floored((float(shares.mean()) - guess) / (1.0 - guess), between)
        decided = only_above_chance(verdict(smallest, between), null.correct, null.expected_by_chance)
    return TrialsSubset(
        households=rows.households,
        presentations=null.presented,
        correct=null.correct,
        p_value=null.p_value,
        e_value=None,
        proportion_discriminating=share,
        verdict=decided,
    )


def deciding_range(methods: Sequence[str], exact: AnyRange, interval: AnyRange) -> Range:
    """Give the any-time range of the proportion discriminating that decides a verdict; none for several methods.

    Parameters
    ----------
    methods : sequence of str
        Of the pool.
    exact, interval : object with `low` and `high`
        The pool's two any-time ranges of the proportion correct.

    """
    if len(methods) != 1:
        return NO_RANGE
    bound = exact if interval.low is None else interval
    between = discriminating_range(Range(bound.low, bound.high), METHODS[methods[0]].guess_probability)
    return Range(_within(between.low), _within(between.high))


def _floored(estimate: float, between: Range) -> Estimate:
    return Estimate(estimate=_within(estimate), low=_within(between.low), high=_within(between.high))


def _within(value: float | None) -> float | None:
    return None if value is None else min(max(value, 0.0), 1.0)
