"""What was started, what was reported, and what is in the answer."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.evidence.aims import PERCEIVABLE
from service.evidence.collect import Collected
from service.record import reports
from service.record.start_columns import STATES
from service.record.words import distinct, is_among


@dataclass(frozen=True, slots=True)
class LeftOutCount:
    """Replications that are not in the answer, and why."""

    reason: str
    count: int


@dataclass(frozen=True, slots=True)
class Counted:
    """What was started, what was reported, and what is in the answer."""

    started: int
    reported: int
    replications: int
    households: int
    assessors: int
    presentations: int
    withdrawal_asked: int
    left_out: tuple[LeftOutCount, ...]
    unblinded_reports: reports.Leanings


def counted(collected: Collected) -> Counted:
    """Count what was started, what was reported, and what was left out and why."""
    starts = collected.starts
    standing = collected.rows.where(~collected.rows.number("sham"))
    trials = collected.of(PERCEIVABLE)
    asked_back = starts.reached("withdrawal_asked") & is_among(starts.places, standing.replication)
    return Counted(
        started=len(starts),
        reported=len(starts) - len(collected.silent),
        replications=distinct(standing.replication),
        households=distinct(standing.household),
        assessors=_total(trials.number("assessors")),
        presentations=_total(trials.number("presented")),
        withdrawal_asked=int(asked_back.sum()),
        left_out=_left_out(collected),
        unblinded_reports=collected.held.leanings,
    )


def _total(counts: npt.NDArray[np.int32]) -> int:
    return int(counts[counts > 0].sum())


def _left_out(collected: Collected) -> tuple[LeftOutCount, ...]:
    states, here = collected.starts.states(), is_among(collected.starts.places, collected.rows.replication)
    number = {state: int((states == place).sum()) for place, state in enumerate(STATES)}
    reasons = {each: number[each] for each in ("withdrawn", "retracted", "erased")}
    reasons["started, not reported"] = number["registered"]
    unexplained = int(((states == STATES.index("submitted")) & ~here).sum())
    if collected.held.merged_into is not None:
        reasons[f"counted in {collected.held.merged_into}"] = unexplained
    else:
        reasons["outside the filters"] = collected.filtered_out
        reasons["nothing reported on this comparison"] = max(unexplained - collected.filtered_out, 0)
    return tuple(LeftOutCount(reason, count) for reason, count in sorted(reasons.items()) if count)
