"""What the record held about a question at a ledger position, gathered once and in order of receipt."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from service.evidence.filters import Filters
from service.record import ledger, observations, questions, replication_reads, reports
from service.record.database import Session
from service.record.rows import ProtocolVersion, RecordedObservation, Start
from service.record.tables import Question

PERCEIVABLE = "perceivable_difference"
WITHDRAWAL_ASKED = "withdrawal_asked"
"""Marks a result that its owner would take back; it stays until a steward decides."""


class ComparisonUnknownError(ValueError):
    """The arms asked about are not two arms of this question; `field` is the argument at fault."""

    def __init__(self, field: str, detail: str) -> None:
        super().__init__(detail)
        self.field = field
        self.detail = detail


@dataclass(frozen=True, slots=True)
class Collected:
    """Everything an answer is made from, and nothing that was not in the record at its position."""

    question: Question
    protocols: Sequence[ProtocolVersion]
    control: str
    treatment: str
    filters: Filters
    position: int
    root_hash: str
    at: datetime
    rows: Sequence[RecordedObservation]
    retracted: Sequence[RecordedObservation]
    filtered_out: int
    starts: Sequence[Start]
    leanings: reports.Leanings

    def of(self, outcome: str, *, sham: bool = False) -> list[RecordedObservation]:
        """The observations of one outcome, in order of receipt."""
        return [row for row in self.rows if row.outcome == outcome and row.sham is sham]

    @property
    def goals(self) -> dict[str, dict[str, Any]]:
        """What the newest protocol wants to find out, by outcome; the first is primary where none says so."""
        if not self.protocols:
            return {}
        goals = [dict(goal) for goal in (self.protocols[-1].document or {}).get("outcomes", ())]
        if goals and not any(goal.get("primary") for goal in goals):
            goals[0]["primary"] = True
        return {goal["outcome"]: goal for goal in goals}

    @property
    def primary(self) -> str:
        """The outcome that carries the claim; frozen at the comparison's first version."""
        for version in self.protocols:
            outcomes = (version.document or {}).get("outcomes", ())
            for goal in outcomes:
                if goal.get("primary"):
                    return str(goal["outcome"])
            if outcomes:
                return str(outcomes[0]["outcome"])
        return PERCEIVABLE

    @property
    def split_point(self) -> str:
        """Where the arms part, by the newest protocol; the earliest where it says nothing."""
        document = (self.protocols[-1].document or {}) if self.protocols else {}
        return str(document.get("split_point", "recipe"))


def comparison_of(question: Question, control: str | None, treatment: str | None) -> tuple[str, str]:
    """Settle the two arms: the control and the first treatment where none are named."""
    keys = [arm["key"] for arm in question.arms]
    for field, named in (("control", control), ("treatment", treatment)):
        if named is not None and named not in keys:
            raise ComparisonUnknownError(field, f"this question has no such arm; it has {', '.join(keys)}")
    control = control or next(arm["key"] for arm in question.arms if arm.get("is_control"))
    treatment = treatment or next(key for key in keys if key != control)
    if control == treatment:
        raise ComparisonUnknownError("treatment", "name two different arms")
    return control, treatment


def collect(session: Session, question: Question, filters: Filters, position: int) -> Collected:
    """Read the question's part of the record as it stood at a ledger position.

    Parameters
    ----------
    session : Session
        A reading session of the record.
    question : Question
        The question asked about.
    filters : Filters
        Which arms, and which part of their replications.
    position : int
        The last ledger entry that touches the question, at or before the position asked about.

    Raises
    ------
    ComparisonUnknownError
        The arms named are not two arms of this question.

    """
    control, treatment = comparison_of(question, filters.control, filters.treatment)
    every = observations.at_position(session, question.id, position)
    compared = [row for row in every if _compares(row, control, treatment)]
    kept = [row for row in compared if filters.keeps(row)]
    starts = replication_reads.starts_at(session, question.id, position)
    asked = {start.replication_id for start in starts if start.withdrawal_asked_position is not None}
    kept = [replace(row, flags=(*row.flags, WITHDRAWAL_ASKED)) if row.replication_id in asked else row for row in kept]
    standing = [row for row in kept if row.left_reason is None]
    entry = ledger.entry(session, position)
    return Collected(
        question=question,
        protocols=[each for each in questions.protocols(session, question) if each.position <= position],
        control=control,
        treatment=treatment,
        filters=filters,
        position=position,
        root_hash=entry.root_hash,
        at=entry.at,
        rows=standing,
        retracted=[row for row in kept if row.left_reason is not None],
        filtered_out=len({row.replication_id for row in compared if row.left_reason is None})
        - len({row.replication_id for row in standing}),
        starts=[start for start in starts if _started(start, control, treatment, filters)],
        leanings=reports.leanings_at(session, question.id, position),
    )


def _compares(row: RecordedObservation, control: str, treatment: str) -> bool:
    """Whether a row is about these two arms; a sham is about two vessels of either."""
    if row.sham:
        return row.control in {control, treatment}
    return row.control == control and row.treatment == treatment


def _started(start: Start, control: str, treatment: str, filters: Filters) -> bool:
    plan = start.plan
    if filters.protocol_version is not None and start.protocol_version != filters.protocol_version:
        return False
    return bool(plan.get("control", control) == control and plan.get("treatment", treatment) == treatment)


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
    left_out: tuple[LeftOutCount, ...]
    unblinded_reports: reports.Leanings


def counted(collected: Collected) -> Counted:
    """Count what was started, what was reported, and what was left out and why."""
    standing = [row for row in collected.rows if not row.sham]
    trials = [row for row in standing if row.outcome == PERCEIVABLE]
    reasons: Counter[str] = Counter()
    for start in collected.starts:
        if start.state in {"withdrawn", "retracted", "erased"}:
            reasons[start.state] += 1
        elif start.state == "registered":
            reasons["started, not reported"] += 1
    if collected.filtered_out:
        reasons["outside the filters"] = collected.filtered_out
    return Counted(
        started=len(collected.starts),
        reported=sum(start.submitted_position is not None for start in collected.starts),
        replications=len({row.replication_id for row in standing}),
        households=len({row.household_id for row in standing}),
        assessors=sum(row.assessors or 0 for row in trials),
        presentations=sum(row.presented or 0 for row in trials),
        left_out=tuple(LeftOutCount(reason, count) for reason, count in sorted(reasons.items())),
        unblinded_reports=collected.leanings,
    )
