"""What of the record may be handed out about one question as of a ledger position, row by row."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any, Literal
from uuid import UUID

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger, merkle, proofs
from service.record import trials as trial_records
from service.record.replication_reads import TRIAL_COLUMNS
from service.record.rows import Entry, TrialRow
from service.record.tables import (
    DeclaredTrial,
    LedgerContent,
    LedgerEntry,
    Question,
    QuestionReport,
    Replication,
    ReplicationRevision,
)
from service.record.trial_tables import SealedTrial

_AT_ONCE = 1000
# What these say was said to everybody; all else belongs to one replication, and is shown once that is.
_PUBLIC_KINDS = frozenset({"question", "protocol", "report", "retraction", "merge", "erasure", "vouch"})

Showing = Literal["shown", "withheld", "erased"]


@dataclass(frozen=True, slots=True)
class ExportedEntry:
    """One ledger entry, with its salt and canonical content where that may be shown."""

    entry: Entry
    showing: Showing
    salt: str | None
    content: str | None


@dataclass(frozen=True, slots=True)
class Block:
    """A complete subtree of entries that aren't handed out: its first position, how many, and its RFC 9162 hash."""

    first: int
    leaves: int
    hash: str


def entries(
    session: Session, question_ids: Iterable[UUID], position: int, public: frozenset[UUID]
) -> Iterator[ExportedEntry]:
    """Give the entries that touch some questions up to a position, in order.

    Parameters
    ----------
    session : Session
        Any session.
    question_ids : iterable of UUID
        The question, and those merged into it.
    position : int
        The last position to give.
    public : frozenset of UUID
        The replications that had been submitted by then: of no other one is a document shown.

    """
    touching = list(question_ids)
    opened, closed, trial_ids = _sealed(session, touching, position, public)
    subjects = frozenset(map(str, public | trial_ids))
    after = 0
    while True:
        query = (
            select(*ledger.ENTRY_COLUMNS, col(LedgerContent.salt), col(LedgerContent.content))
            .outerjoin(LedgerContent, col(LedgerContent.position) == col(LedgerEntry.position))
            .where(
                or_(
                    col(LedgerEntry.question_id).in_(touching),
                    col(LedgerEntry.position).in_(opened),
                    col(LedgerEntry.position).in_(closed),
                ),
                col(LedgerEntry.position) > after,
                col(LedgerEntry.position) <= position,
            )
            .order_by(col(LedgerEntry.position))
            .limit(_AT_ONCE)
        )
        rows = session.execute(query).all()
        for *columns, salt, content in rows:
            yield _exported(Entry(*columns), salt, content, subjects)
        if len(rows) < _AT_ONCE:
            return
        after = rows[-1][0]


def _sealed(
    session: Session, question_ids: Sequence[UUID], position: int, public: frozenset[UUID]
) -> tuple[Select[int], Select[int | None], frozenset[UUID]]:
    """Find the entries of the sealed trials of what was submitted: they touch no question until it is."""
    theirs = (
        col(Replication.id) == col(SealedTrial.replication_id),
        col(Replication.question_id).in_(question_ids),
        col(Replication.submitted_position) <= position,
    )
    rows = session.execute(select(col(SealedTrial.id), col(SealedTrial.replication_id)).where(*theirs))
    return (
        select(col(SealedTrial.opened_position)).where(*theirs),
        select(col(SealedTrial.closed_position)).where(*theirs),
        frozenset(trial_id for trial_id, replication_id in rows if replication_id in public),
    )


def _exported(entry: Entry, salt: str | None, content: str | None, public: frozenset[str]) -> ExportedEntry:
    if content is None:
        return ExportedEntry(entry, "erased", None, None)
    if entry.kind in _PUBLIC_KINDS or entry.subject in public:
        return ExportedEntry(entry, "shown", salt, content)
    return ExportedEntry(entry, "withheld", None, None)


def blocks(session: Session, positions: Iterable[int], size: int) -> Iterator[Block]:
    """Give the complete subtrees that, with the leaves at some positions in ascending order, make up the ledger."""

    def between() -> Iterator[tuple[int, int]]:
        before = 0
        for position in positions:
            yield from merkle.blocks_between(before, position - 1)
            before = position
        yield from merkle.blocks_between(before, size)

    wanted = between()
    while some := list(islice(wanted, _AT_ONCE)):
        stored = proofs.gathered(
            session,
            lambda lookup, some=some: [merkle.block_hash(lookup, *each) for each in some],  # type: ignore[misc]
        )
        yield from (Block(first, leaves, hashed.hex()) for (first, leaves), hashed in zip(some, stored, strict=True))


def trials(session: Session, replication_ids: Sequence[UUID], position: int) -> Iterator[tuple[UUID, int, TrialRow]]:
    """Give the declared trials of some replications as they stood at a position, each with its number."""
    for start in range(0, len(replication_ids), _AT_ONCE):
        some = replication_ids[start : start + _AT_ONCE]
        newest = (
            select(
                col(ReplicationRevision.replication_id), func.max(col(ReplicationRevision.revision)).label("revision")
            )
            .where(
                col(ReplicationRevision.replication_id).in_(some),
                col(ReplicationRevision.position) <= position,
            )
            .group_by(col(ReplicationRevision.replication_id))
            .subquery()
        )
        query = (
            select(col(DeclaredTrial.replication_id), col(DeclaredTrial.ordinal), *TRIAL_COLUMNS)
            .join(
                newest,
                (newest.c.replication_id == col(DeclaredTrial.replication_id))
                & (newest.c.revision == col(DeclaredTrial.revision)),
            )
            .join(Replication, col(Replication.id) == col(DeclaredTrial.replication_id))
            .order_by(col(Replication.started_position), col(DeclaredTrial.ordinal))
        )
        for row in session.execute(query).mappings():
            values = dict(row)
            yield values.pop("replication_id"), values.pop("ordinal"), TrialRow(**values)


def sealed_trials(
    session: Session, replication_ids: Sequence[UUID], position: int
) -> Iterator[tuple[SealedTrial, dict[str, Any]]]:
    """Give the sealed trials of some replications that had ended by a position, each with what it came to."""
    for start in range(0, len(replication_ids), _AT_ONCE):
        query = (
            select(SealedTrial)
            .join(Replication, col(Replication.id) == col(SealedTrial.replication_id))
            .where(
                col(SealedTrial.replication_id).in_(replication_ids[start : start + _AT_ONCE]),
                col(SealedTrial.closed_position) <= position,
            )
            .order_by(col(Replication.started_position), col(SealedTrial.number))
        )
        found = session.execute(query).scalars().all()
        endings = trial_records.closing(session, found)
        yield from ((trial, endings[trial.id]["result"]) for trial in found if trial.id in endings)


def erased_since(session: Session, question_ids: Iterable[UUID], position: int) -> bool:
    """Say whether something written by a position was erased after it: what was handed out then can't be again."""
    query = select(col(LedgerEntry.position)).where(
        col(LedgerEntry.question_id).in_(list(question_ids)),
        col(LedgerEntry.kind) == "erasure",
        col(LedgerEntry.position) > position,
    )
    later = ledger.contents_of(session, session.execute(query).scalars())
    return any(erased <= position for content in later.values() for erased in content["positions"])


def questions_followed(session: Session, replication_ids: Sequence[UUID]) -> dict[UUID, str]:
    """Return the slug of the question whose protocol each replication follows."""
    query = (
        select(col(Replication.id), col(Question.slug))
        .join(Question, col(Question.id) == col(Replication.question_id))
        .where(col(Replication.id).in_(replication_ids))
    )
    return dict(session.execute(query).all())


def moments(session: Session, positions: Sequence[int]) -> dict[int, datetime]:
    """Return when the entries at some positions were written."""
    query = select(col(LedgerEntry.position), col(LedgerEntry.at)).where(col(LedgerEntry.position).in_(positions))
    return dict(session.execute(query).all())


def impressions(session: Session, question_id: UUID, position: int) -> Iterator[QuestionReport]:
    """Give the unblinded impressions on a question up to a position, in order."""
    query = (
        select(QuestionReport)
        .where(col(QuestionReport.question_id) == question_id, col(QuestionReport.position) <= position)
        .order_by(col(QuestionReport.position))
        .execution_options(yield_per=_AT_ONCE)
    )
    yield from session.execute(query).scalars()
