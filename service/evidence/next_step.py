"""What would help most now."""

from collections.abc import Sequence
from math import isinf

import numpy as np

from service.evidence.aims import PERCEIVABLE
from service.evidence.claim import Claim
from service.evidence.collect import Collected
from service.evidence.conditions import different, said
from service.evidence.sham import SHAMS_THAT_EXCLUDE_LUCK
from service.evidence.shape import NextStep
from service.evidence.wording import households
from service.record.words import distinct, is_among
from service.science.plain_words import counted
from service.science.pooling.any_time_t import half_width

_SIGNIFICANCE = 0.05
_ENOUGH = 8
_ENOUGH_REGISTERED = 5
_MOST = 100_000


def next_step(collected: Collected, claim: Claim) -> NextStep:
    """Say which replication would teach most, by what the answer lacks.

    Parameters
    ----------
    collected : Collected
        The record's part.
    claim : Claim
        What the primary outcome says.

    """
    untried, halving = _untried(collected), households_to_halve(claim.households)
    return NextStep(
        what_would_help=_help(collected, claim, untried, halving),
        missing_conditions=untried,
        households_to_halve_the_interval=halving,
    )


def _help(collected: Collected, claim: Claim, untried: Sequence[str], halving: int | None) -> str:
    when = "the first glass" if collected.primary == PERCEIVABLE else "pitching"
    missing = _ENOUGH - claim.households
    if claim.households == 0:
        said = f"A first replication: follow the protocol, and register the plan before {when}."
    elif missing == 1:
        said = f"A replication from one more household, registered before {when}."
    elif missing > 1:
        said = f"Replications from {counted(missing)} more households, each registered before {when}."
    elif claim.batch_luck_open and claim.decided:
        said = (
            f"Sham trials: {households(SHAMS_THAT_EXCLUDE_LUCK)} or more that taste two vessels of one arm against "
            "each other, to see how far batch luck alone can be tasted."
        )
    elif not claim.decided and halving is not None:
        said = f"More households: {counted(halving)} more would halve the range, at the spread seen so far."
    elif claim.in_registered_or_sealed < _ENOUGH_REGISTERED:
        said = f"Replications that are registered before {when}."
    elif untried:
        said = f"A replication with {untried[0]}, registered before {when}."
    else:
        said = f"A replication in another kitchen, registered before {when}: {households(claim.households)} so far."
    return said


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
    """Find conditions on which every replication so far says the same."""
    words, codes = collected.rows.words("moderators")
    seen: dict[str, set[str]] = {}
    where: dict[str, list[int]] = {}
    for code, moderators in different(words, codes):
        for key, value in moderators.items():
            seen.setdefault(key, set()).add(said(value))
            where.setdefault(key, []).append(code)
    alike = {key: next(iter(values)) for key, values in sorted(seen.items()) if len(values) == 1}
    households_there = {key: collected.rows.household[is_among(codes, np.array(where[key]))] for key in alike}
    return [f"{key} other than {value}" for key, value in alike.items() if distinct(households_there[key]) > 1]
