"""What was started, what was reported, and what is in the answer."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from service.evidence.aims import PERCEIVABLE
from service.evidence.collect import Collected
from service.record import reports
from service.record.rows import Start


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


def silent(starts: Iterable[Start]) -> list[Start]:
    """The replications that were started and show no result: never reported, or erased since by whoever sent it."""
    return [start for start in starts if start.submitted_position is None or start.erased_position is not None]


def counted(collected: Collected) -> Counted:
    """Count what was started, what was reported, and what was left out and why."""
    standing = [row for row in collected.rows if not row.sham]
    trials = [row for row in standing if row.outcome == PERCEIVABLE]
    replications = {row.replication_id for row in standing}
    return Counted(
        started=len(collected.starts),
        reported=len(collected.starts) - len(silent(collected.starts)),
        replications=len(replications),
        households=len({row.household_id for row in standing}),
        assessors=sum(row.assessors or 0 for row in trials),
        presentations=sum(row.presented or 0 for row in trials),
        withdrawal_asked=sum(
            start.withdrawal_asked_position is not None and start.replication_id in replications
            for start in collected.starts
        ),
        left_out=_left_out(collected),
        unblinded_reports=collected.held.leanings,
    )


def _left_out(collected: Collected) -> tuple[LeftOutCount, ...]:
    here = {row.replication_id for row in collected.rows}
    reasons: Counter[str] = Counter()
    unexplained = 0
    for start in collected.starts:
        if start.state in {"withdrawn", "retracted", "erased"}:
            reasons[start.state] += 1
        elif start.state == "registered":
            reasons["started, not reported"] += 1
        elif start.replication_id not in here:
            unexplained += 1
    if collected.held.merged_into is not None:
        reasons[f"counted in {collected.held.merged_into}"] += unexplained
    else:
        reasons["outside the filters"] = collected.filtered_out
        reasons["nothing reported on this comparison"] = max(unexplained - collected.filtered_out, 0)
    return tuple(LeftOutCount(reason, count) for reason, count in sorted(reasons.items()) if count)
