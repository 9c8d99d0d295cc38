"""From pooled outcomes to what a forest shows."""

import math
from collections.abc import Sequence

import numpy as np

from service.evidence.blocks import LONGEST_LIST
from service.evidence.collect import Collected
from service.evidence.drawing import Caption, clipped
from service.evidence.forest import Forest, Line, Study
from service.evidence.measured import MeasuredOutcome
from service.evidence.perceivable import Tasted
from service.evidence.tasted_subset import deciding_range
from service.evidence.trial_blocks import PerceivableDifference
from service.evidence.wording import capital, households, in_100
from service.record.rows import RecordedObservation

_READING_SDS = 1.959964
_AXIS_LETTERS = 34
_MEAN, _ANY_TIME, _NEXT = "Mean", "Mean, at any look", "Next household"
_FILLED = "Filled squares: sealed, or registered beforehand."


def forest_of_trials(collected: Collected, trials: Tasted) -> Forest:
    """Lay out blind trials: on one method servings told apart, on several the scale of d' that they share."""
    block = trials.block
    shared = len(block.by_method) > 1
    studies = [
        _trial(name, row, (study.d_prime if shared else study.proportion_discriminating), shared=shared)
        for name, row, study in zip(_names(trials.rows), trials.rows[:LONGEST_LIST], block.studies, strict=True)
    ]
    size = block.d_prime if shared else block.proportion_discriminating
    mark = block.smallest_difference_that_matters
    matters = "" if shared else f" Dotted line: {in_100(mark)} in 100, the size that matters."
    return Forest(
        caption=Caption(
            collected.question.title,
            (
                f"{_arms(collected)}: can they be told apart, blind? {_counted(block.households)}.",
                f"Dashed line: guessing.{matters} Lines: 95 % intervals. Square areas go with the number of sets. "
                f"{_FILLED}",
                _cut(block.studies_total),
            ),
        ),
        axis="d_prime" if shared else "in_100",
        axis_name="d', on the scale that the methods share" if shared else "servings truly told apart, in 100",
        none_at=0.0,
        marks=[] if shared else [100.0 * mark],
        heads=("", "right/sets", "d'" if shared else "in 100"),
        studies=studies,
        mean=_line(_MEAN, (size.estimate, size.low, size.high), shared=shared),
        any_time=None if shared else _any_time(block),
        next_household=None,
    )


def _trial(name: str, row: RecordedObservation, limits: object, *, shared: bool) -> Study:
    estimate, low, high = (getattr(limits, part) for part in ("estimate", "low", "high"))
    line = _line(name, (estimate, low, high), shared=shared)
    return Study(
        name=name,
        estimate=None if line is None else line.estimate,
        low=None if line is None else line.low,
        high=None if line is None else line.high,
        value="" if line is None else line.value,
        count=f"{row.correct}/{row.presented}",
        weight=float(row.presented or 0),
        promised=row.sealed or row.registered,
    )


def _line(name: str, limits: Sequence[float | None], *, shared: bool) -> Line | None:
    """Put limits on the axis: d' as it is, a proportion discriminating in a hundred."""
    if all(limit is None for limit in limits):
        return Line(name, None, None, None, "∞") if shared and name not in {_MEAN, _ANY_TIME} else None
    scale = 1.0 if shared else 100.0
    estimate, low, high = (None if limit is None else scale * limit for limit in limits)
    value = "∞" if estimate is None else f"{estimate:.1f}" if shared else f"{estimate:.0f}"
    return Line(name, estimate, low, high, value if name != _ANY_TIME else "")


def _any_time(block: PerceivableDifference) -> Line | None:
    bound = deciding_range(
        [each.method for each in block.by_method], block.any_time.exact_interval, block.any_time.interval
    )
    return None if bound.low is None else _line(_ANY_TIME, (None, bound.low, bound.high), shared=False)


def forest_of_differences(collected: Collected, outcome: MeasuredOutcome) -> Forest:
    """Lay out a measured outcome: each replication with what reading alone explains, and the mean over households."""
    block, words = outcome.block, outcome.words
    kept = outcome.rows[:LONGEST_LIST]
    number = outcome.rows.by_household.number
    sharers = np.bincount(number)[number[:LONGEST_LIST]].tolist()
    studies = []
    for name, row, sharing in zip(_names(outcome.rows), kept, sharers, strict=True):
        value = float(row.difference or 0.0)
        reach = None if row.variance is None else _READING_SDS * math.sqrt(row.variance)
        studies.append(
            Study(
                name=name,
                estimate=value,
                low=value if reach is None else value - reach,
                high=value if reach is None else value + reach,
                value=words.signed(value),
                count="",
                weight=1.0 / sharing,
                promised=row.registered,
            )
        )
    matters = outcome.figures.matters
    ratio = words.scale == "log_ratio"
    mean = (
        None
        if block.estimate is None
        else Line(_MEAN, block.estimate, block.low, block.high, words.signed(block.estimate))
    )
    following = block.next_household
    said = "" if matters is None else " Dotted lines: the size that was said to matter."
    return Forest(
        caption=Caption(
            collected.question.title,
            (
                f"{_capital(words.title)}: {_arms(collected)}. {_counted(block.households)}.",
                f"Dashed line: no difference.{said} A study's line is what reading alone explains; the mean counts "
                "households alike. Filled squares: registered beforehand.",
                _cut(block.studies_total),
            ),
        ),
        axis="ratio" if ratio else "number",
        axis_name=f"{clipped(words.title, _AXIS_LETTERS)}, treatment {'over' if ratio else 'less'} control",
        none_at=0.0,
        marks=[] if matters is None else [-matters, matters],
        heads=("", "", "change" if ratio else "difference"),
        studies=studies,
        mean=mean,
        any_time=_between(_ANY_TIME, block.any_time.low, block.any_time.high),
        next_household=_between(_NEXT, following.low, following.high),
    )


def _between(name: str, low: float | None, high: float | None) -> Line | None:
    return None if low is None or high is None else Line(name, None, low, high, "")


def _names(rows: Sequence[RecordedObservation]) -> list[str]:
    """Number households in order of receipt, and each one's studies."""
    numbers: dict[object, int] = {}
    seen: dict[object, int] = {}
    names = []
    for row in rows[:LONGEST_LIST]:
        number = numbers.setdefault(row.household_id, len(numbers) + 1)
        nth = seen[row.household_id] = seen.get(row.household_id, 0) + 1
        names.append(f"Household {number} ({nth})" if nth > 1 else f"Household {number}")
    return names


def _capital(title: str) -> str:
    return title if title.startswith("pH") else capital(title)


def _arms(collected: Collected) -> str:
    return f"“{collected.label(collected.treatment)}” against “{collected.label(collected.control)}”"


def _counted(number: int) -> str:
    return capital(households(number))


def _cut(total: int) -> str:
    return (
        "" if total <= LONGEST_LIST else f"The first {LONGEST_LIST} of {total} studies are drawn; all are in the mean."
    )
