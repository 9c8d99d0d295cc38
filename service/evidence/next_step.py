"""What would help most now."""

from collections.abc import Mapping
from math import isinf

from service.evidence.collect import Collected
from service.evidence.measured import MeasuredOutcome
from service.evidence.perceivable import SHAMS_THAT_EXCLUDE_LUCK, Tasted
from service.evidence.shape import NextStep
from service.evidence.wording import households
from service.science.plain_words import counted
from service.science.pooling.any_time_t import half_width

_SIGNIFICANCE = 0.05
_FEWEST = 8
_MOST = 100_000


def next_step(collected: Collected, trials: Tasted, outcomes: Mapping[str, MeasuredOutcome]) -> NextStep:
    """Say which replication would teach most, by what the answer lacks.

    Parameters
    ----------
    collected : Collected
        The record's part.
    trials : Tasted
        The pooled trials.
    outcomes : mapping
        The pooled measured outcomes, by name.

    """
    primary = outcomes.get(collected.primary)
    count = primary.figures.households if primary is not None else trials.figures.households
    return NextStep(
        what_would_help=_help(count, trials, collected),
        missing_conditions=_untried(collected),
        households_to_halve_the_interval=households_to_halve(count),
    )


def _help(count: int, trials: Tasted, collected: Collected) -> str:
    if count == 0:
        return "A first replication: follow the protocol, and register the plan before the first glass."
    if count < _FEWEST:
        return f"Replications from {counted(_FEWEST - count)} more households, each registered before the first glass."
    if trials.figures.batch_luck_open and trials.figures.households:
        return (
            f"Sham trials: {households(SHAMS_THAT_EXCLUDE_LUCK)} that taste two vessels of one arm against each other, "
            "to see how far batch luck alone can be tasted."
        )
    registered = {row.household_id for row in collected.rows if row.registered or row.sealed}
    if len(registered) < _FEWEST // 2 + 1:
        return "Replications that are registered before the first glass, or sealed."
    return "A replication under conditions that nobody has tried yet, registered before the first glass."


def households_to_halve(count: int) -> int | None:
    """How many more households would halve the any-time interval, at the spread seen so far."""
    if count < 2:
        return None
    now = float(half_width(count, _SIGNIFICANCE))
    if isinf(now):
        return None
    low, high = count, _MOST
    if float(half_width(high, _SIGNIFICANCE)) > now / 2:
        return None
    while high - low > 1:
        middle = (low + high) // 2
        if float(half_width(middle, _SIGNIFICANCE)) <= now / 2:
            high = middle
        else:
            low = middle
    return high - count


def _untried(collected: Collected) -> list[str]:
    """Conditions on which every replication so far says the same."""
    seen: dict[str, set[str]] = {}
    where: dict[str, set[object]] = {}
    for row in collected.rows:
        for key, value in row.moderators.items():
            seen.setdefault(key, set()).add(str(value).lower() if isinstance(value, bool) else str(value))
            where.setdefault(key, set()).add(row.household_id)
    return [
        f"{key} other than {next(iter(values))}"
        for key, values in sorted(seen.items())
        if len(values) == 1 and len(where[key]) > 1
    ]
