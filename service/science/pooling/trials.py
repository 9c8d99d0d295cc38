"""Blind trials of many households as one answer: can anyone tell, how often, and how sure are we."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.science import binomial, plain_words, trial_columns
from service.science.checks import number
from service.science.discrimination import METHODS, d_prime
from service.science.pooling.any_time import AnyTime, e_process
from service.science.pooling.any_time_t import any_time_t
from service.science.pooling.betting import betting_interval
from service.science.pooling.collapse import collapse
from service.science.pooling.detection import (
    NO_SPREAD,
    FloorModel,
    discriminating,
    floor_model,
    null_of,
)
from service.science.pooling.folded import folded_model
from service.science.pooling.household_counts import Rows, Units, rows_of, units_of
from service.science.pooling.results import NO_RANGE, NOTHING, Estimate, Range, Withheld
from service.science.pooling.trial_reading import trials_reading
from service.science.pooling.trial_results import (
    Fit,
    MethodPool,
    NobodyCanTell,
    PooledTrials,
    StudyResult,
    TrialStudy,
)
from service.science.pooling.trials_left_out import (
    FEWEST_HOUSEHOLDS_FOR_T,
    FEWEST_PRESENTATIONS_FOR_T,
    NOT_LEFT_OUT,
    discriminating_range,
    leave_one_out,
    one_decides,
)
from service.science.pooling.verdict import Verdict, verdict

__all__ = ["PooledTrials", "TrialStudy", "pool_rows", "pool_trials"]

IntArray = npt.NDArray[np.int64]

FOLDED_MODEL = "folded_d_prime"


def pool_trials(
    studies: Sequence[TrialStudy],
    confidence: float = 0.95,
    smallest_that_matters: float = 0.3,
    *,
    leave_out: bool = True,
) -> PooledTrials:
    """Pool blind discrimination trials over households.

    Parameters
    ----------
    studies : sequence of TrialStudy
        One for each trial, in order of receipt; the rows of one household merge.
    confidence : float
        Of all intervals, 0.5 to 0.9999.
    smallest_that_matters : float
        The smallest proportion discriminating that matters, chosen before the data; above 0 and below 1.
    leave_out : bool
        Whether the pool is also made without each household, which is most of the work; without it `leave_one_out` is
        empty and no household is found to decide.

    Returns
    -------
    PooledTrials
        What too few data can't support is None and listed in `withheld`.

    Raises
    ------
    InputError
        For an unknown method, counts that are not whole or do not agree, a confidence out of range.

    References
    ----------
    Exact binomial, convolved over guess probabilities; guessing-floor logit-normal model by maximum likelihood; folded
    normal model over d' (Ennis 1993; Brockhoff & Christensen 2010); random-effects mixture e-process (Ville 1939;
    ter Schure & Grunwald 2022); hedged capital (Waudby-Smith & Ramdas 2024).

    """
    rows = rows_of(studies)
    return pool_rows(rows, confidence, smallest_that_matters, leave_out=leave_out)


def pool_rows(
    rows: Rows,
    confidence: float = 0.95,
    smallest_that_matters: float = 0.3,
    *,
    leave_out: bool = True,
    listed: int | None = None,
) -> PooledTrials:
    """Pool blind trials that are columns already, as `pool_trials` does.

    Parameters
    ----------
    rows : Rows
        The trials.
    confidence, smallest_that_matters, leave_out
        As in `pool_trials`.
    listed : int, optional
        How many rows are shown by themselves, and how many households are shown as left out; all where left out.

    Raises
    ------
    InputError
        For a confidence or a size out of range.

    """
    level = float(trial_columns.confidence_level(confidence))
    size = float(number("smallest_that_matters", smallest_that_matters, 1e-6, 1.0, "a proportion discriminating"))
    units = units_of(rows)
    null = null_of(units.correct, units.presented, units.guess)
    floors = tuple(_floor(units, kind, method, level) for kind, method in enumerate(rows.methods))
    alone = floors[0] if len(floors) == 1 else None
    sensitivity = _sensitivity(rows, units, alone, level)
    any_time, withheld = _any_time(rows, units, level)
    withheld = [*_headline_withheld(alone, rows), *sensitivity.withheld, *withheld]
    decided = only_above_chance(_verdict(any_time, rows, size), null.correct, null.expected_by_chance)
    left_out = leave_one_out(rows, units, level, alone, listed) if leave_out else NOT_LEFT_OUT
    result = PooledTrials(
        households=rows.households,
        presentations=null.presented,
        correct=null.correct,
        expected_by_chance=null.expected_by_chance,
        nobody_can_tell=NobodyCanTell(null.p_value, null.log10_p_value),
        proportion_discriminating=alone.proportion_discriminating if alone else NOTHING,
        by_method=tuple(
            _method_pool(units, kind, method, floor)
            for kind, (method, floor) in enumerate(zip(rows.methods, floors, strict=True))
        ),
        d_prime=sensitivity.mean,
        spread=alone.spread if alone else NO_SPREAD,
        fit=Fit(alone.model, alone.mu, alone.tau, alone.log_likelihood, alone.mean_correct)
        if alone
        else sensitivity.fit,
        boundary=alone.boundary if alone else None,
        below_chance=null.presented > 0 and null.lower_tail_p_value < 0.01,
        any_time=any_time,
        verdict=decided,
        studies=_alone(rows, level, listed),
        leave_one_out=left_out.listed,
        least_e_value_without_one=left_out.least_e_value,
        one_household_decides=one_decides(rows, units, left_out, any_time.e_value, size, level),
        withheld=tuple(withheld),
        reading="",
    )
    return replace(result, reading=trials_reading(result))


def _floor(units: Units, kind: int, method: str, level: float) -> FloorModel:
    chosen = units.kind == kind
    return floor_model(units.correct[chosen], units.presented[chosen], METHODS[method].guess_probability, level)


def _method_pool(units: Units, kind: int, method: str, floor: FloorModel) -> MethodPool:
    chosen = units.kind == kind
    presented, correct = int(units.presented[chosen].sum()), int(units.correct[chosen].sum())
    return MethodPool(method, int(chosen.sum()), presented, correct, floor.proportion_discriminating)


@dataclass(frozen=True, slots=True)
class _Sensitivity:
    mean: Estimate
    fit: Fit
    withheld: list[Withheld]


def _sensitivity(rows: Rows, units: Units, alone: FloorModel | None, level: float) -> _Sensitivity:
    """Give the mean of |d'|: from the folded model, or by the one method's function where the spread can't be seen."""
    nothing = Fit(FOLDED_MODEL, None, None, None, NOTHING)
    if not rows.households:
        return _Sensitivity(NOTHING, nothing, [])
    if alone is not None and alone.boundary in {"few_households", "single_presentations"}:
        p = alone.mean_correct
        limits = (None if q is None else float(d_prime(rows.methods[0], q)) for q in (p.estimate, p.low, p.high))
        return _Sensitivity(Estimate(*limits), nothing, [])
    folded = folded_model(collapse(units.correct, units.presented, units.kind), rows.methods, level)
    mean = folded.mean_d_prime
    withheld = []
    if rows.households < 3:
        mean = Estimate(mean.estimate, None, None)
        withheld.append(Withheld("d_prime.low, d_prime.high", "too few households for a range; 3 are needed"))
    mu: float | None = folded.mu
    tau: float | None = folded.tau
    if rows.households < 5 or math.isinf(folded.mean_d_prime.estimate or 0.0):
        mu = tau = None
    return _Sensitivity(mean, Fit(FOLDED_MODEL, mu, tau, folded.log_likelihood, NOTHING), withheld)


def _headline_withheld(alone: FloorModel | None, rows: Rows) -> list[Withheld]:
    if alone is not None:
        return list(alone.withheld)
    if not rows.households:
        reason = "no household has reported yet"
        return [Withheld(name, reason) for name in ("proportion_discriminating", "d_prime", "fit", "spread")]
    reason = "several methods: the same two drinks give each its own proportion; d_prime is the scale they share"
    names = ("proportion_discriminating", "spread", "fit.mean_correct", "any_time.exact_interval", "any_time.interval")
    return [Withheld(name, reason) for name in names]


def _any_time(rows: Rows, units: Units, level: float) -> tuple[AnyTime, list[Withheld]]:
    process = e_process(rows.correct, rows.presented, rows.guess, rows.household)
    exact, interval, withheld = NO_RANGE, NO_RANGE, list[Withheld]()
    if len(rows.methods) == 1:
        shares = units.correct / units.presented
        exact = betting_interval(shares, level)
        enough = units.presented >= FEWEST_PRESENTATIONS_FOR_T
        if int(enough.sum()) >= FEWEST_HOUSEHOLDS_FOR_T:
            bound = any_time_t(shares[enough], level)
            interval = clipped(bound.low, bound.high)
        if interval.low is None:
            withheld.append(Withheld("any_time.interval", _too_few(int(enough.sum()))))
    return (
        AnyTime(
            e_value=process.e_value,
            largest_e_value=process.largest_e_value,
            p_value=process.p_value,
            words=plain_words.evidence_words(process.e_value),
            exact_interval=exact,
            interval=interval,
            log_path=process.log_path,
        ),
        withheld,
    )


def _too_few(enough: int) -> str:
    if enough >= FEWEST_HOUSEHOLDS_FOR_T:
        return "all households have the same proportion, which bounds nothing: rounding or copies?"
    return (
        f"{enough} household{'' if enough == 1 else 's'} with {FEWEST_PRESENTATIONS_FOR_T} or more presentations; "
        f"{FEWEST_HOUSEHOLDS_FOR_T} are needed"
    )


def _verdict(any_time: AnyTime, rows: Rows, smallest_that_matters: float) -> Verdict:
    """Decide by the any-time t interval, or by the exact one where that has too few households or none that differ."""
    bound = any_time.exact_interval if any_time.interval.low is None else any_time.interval
    guess = METHODS[rows.methods[0]].guess_probability if rows.methods else 0.0
    return verdict(smallest_that_matters, discriminating_range(bound, guess))


def only_above_chance(decided: Verdict, correct: float, expected: float) -> Verdict:
    """Keep a verdict of "a difference is there" for pools above guessing: below it, the sets are at fault.

    Parameters
    ----------
    decided : str
        By the interval alone.
    correct, expected : float
        Right answers in the pool, and how many guessing gives on average.

    """
    if decided in {"bigger_than_matters", "real_but_may_be_too_small"} and correct <= expected:
        return "cannot_tell_yet"
    return decided


def clipped(low: float | None, high: float | None) -> Range:
    """Keep a range of proportions between 0 and 1."""
    if low is None or high is None:
        return NO_RANGE
    return Range(max(low, 0.0), min(high, 1.0))


def _alone(rows: Rows, level: float, listed: int | None) -> tuple[StudyResult, ...]:
    """Give rows by themselves; those with the same counts share their numbers."""
    correct, presented, kind = (column[:listed] for column in (rows.correct, rows.presented, rows.kind))
    if not len(correct):
        return ()
    distinct = collapse(correct, presented, kind)
    x, n = distinct.correct.astype(np.float64), distinct.presented.astype(np.float64)
    low, high = binomial.clopper_pearson(x, n, level)
    shares = np.column_stack((x / n, low, high))
    scaled = np.empty_like(shares)
    for place, method in enumerate(rows.methods):
        scaled[distinct.kind == place] = d_prime(method, shares[distinct.kind == place].ravel()).reshape(-1, 3)
    guesses = [METHODS[rows.methods[place]].guess_probability for place in distinct.kind.tolist()]
    proportions = [discriminating(Estimate(*row), guess) for row, guess in zip(shares.tolist(), guesses, strict=True)]
    sensitivities = [Estimate(*row) for row in scaled.tolist()]
    columns = (rows.household[:listed], kind, presented, correct, distinct.place)
    return tuple(
        StudyResult(label, rows.names[household], rows.methods[method], n, x, sensitivities[place], proportions[place])
        for label, household, method, n, x, place in zip(
            rows.row_labels[:listed], *(column.tolist() for column in columns), strict=True
        )
    )
