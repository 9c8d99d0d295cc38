"""What the record held about a question at a ledger position, gathered once and in order of receipt."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from service.evidence.aims import PERCEIVABLE, Aims, aims_of
from service.evidence.comparison import Arms, ComparisonUnknownError, comparison_of, is_planned, seen_from
from service.evidence.filters import Filters
from service.record import ledger, observations, questions, replication_reads, reports
from service.record.database import Session
from service.record.rows import ProtocolVersion, RecordedObservation, Start
from service.record.tables import Question

__all__ = ["PERCEIVABLE", "Collected", "ComparisonUnknownError", "Held", "choose", "collect", "read"]

WITHDRAWAL_ASKED = "withdrawal_asked"
"""Marks a result that its owner would take back; it stays until a steward decides."""


@dataclass(frozen=True, slots=True)
class Held:
    """A question's part of the record at a ledger position, as read and not yet chosen from.

    `merged_into` is the slug of the question in whose answer its replications stand since a merge.
    """

    question: Question
    protocols: Sequence[ProtocolVersion]
    rows: Sequence[RecordedObservation]
    starts: Sequence[Start]
    leanings: reports.Leanings
    position: int
    root_hash: str
    at: datetime
    merged_into: str | None = None


@dataclass(frozen=True, slots=True)
class Collected:
    """Everything that one answer is made from, and nothing that was not in the record at its position."""

    held: Held
    aims: Aims
    control: str
    treatment: str
    filters: Filters
    rows: Sequence[RecordedObservation]
    retracted: Sequence[RecordedObservation]
    filtered_out: int
    starts: Sequence[Start]

    @property
    def question(self) -> Question:
        """The question that is answered."""
        return self.held.question

    @property
    def position(self) -> int:
        """The ledger position of the state that the answer is computed from."""
        return self.held.position

    @property
    def primary(self) -> str:
        """The outcome that carries the claim."""
        return self.aims.primary

    def of(self, outcome: str, *, sham: bool = False) -> list[RecordedObservation]:
        """The observations of one outcome, in order of receipt."""
        return [row for row in self.rows if row.outcome == outcome and row.sham is sham]

    def put_back(self, outcome: str) -> list[RecordedObservation]:
        """The observations of one outcome that were retracted, shams aside."""
        return [row for row in self.retracted if row.outcome == outcome and not row.sham]

    def label(self, key: str) -> str:
        """What an arm is called."""
        return str(next(arm["label"] for arm in self.question.arms if arm["key"] == key))


def collect(session: Session, question: Question, filters: Filters, position: int) -> Collected:
    """Read the question's part of the record as it stood at a ledger position, and choose from it.

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
    comparison_of(question, filters.control, filters.treatment)
    return choose(read(session, question, position), filters)


def read(session: Session, question: Question, position: int) -> Held:
    """Read all that the record held about a question at a ledger position."""
    entry = ledger.entry(session, position)
    return Held(
        question=question,
        protocols=[each for each in questions.protocols(session, question) if each.position <= position],
        rows=observations.at_position(session, question.id, position),
        starts=replication_reads.starts_at(session, question.id, position),
        leanings=reports.leanings_at(session, question.id, position),
        position=position,
        root_hash=entry.root_hash,
        at=entry.at,
        merged_into=_merged_into(session, question, position),
    )


def _merged_into(session: Session, question: Question, position: int) -> str | None:
    into, since = question.merged_into_id, question.merged_position
    if into is None or since is None or since > position:
        return None
    return questions.slugs(session, [into])[into]


def choose(held: Held, filters: Filters) -> Collected:
    """Choose the comparison, and the part of its replications, that is asked about."""
    arms = comparison_of(held.question, filters.control, filters.treatment)
    asked = {start.replication_id for start in held.starts if start.withdrawal_asked_position is not None}
    compared = [_marked(row, asked) for each in held.rows if (row := seen_from(each, arms)) is not None]
    kept = [row for row in compared if filters.keeps(row)]
    standing = [row for row in kept if row.left_reason is None]
    results = [start.submitted_position for start in held.starts if start.submitted_position is not None]
    return Collected(
        held=held,
        aims=aims_of(held.protocols, min(results, default=None)),
        control=arms[0],
        treatment=arms[1],
        filters=filters,
        rows=standing,
        retracted=[row for row in kept if row.left_reason is not None],
        filtered_out=len({row.replication_id for row in compared if row.left_reason is None})
        - len({row.replication_id for row in standing}),
        starts=_started(held.starts, compared, arms, filters),
    )


def _marked(row: RecordedObservation, asked: set[UUID]) -> RecordedObservation:
    return replace(row, flags=(*row.flags, WITHDRAWAL_ASKED)) if row.replication_id in asked else row


def _started(
    starts: Sequence[Start], compared: Sequence[RecordedObservation], arms: Arms, filters: Filters
) -> list[Start]:
    """Find the replications that meant to compare these arms, or did."""
    did = {row.replication_id for row in compared if not row.sham}
    return [
        start
        for start in starts
        if (start.replication_id in did or is_planned(start, arms))
        and filters.protocol_version in {None, start.protocol_version}
    ]
