"""Reads of replications: one, lists, documents and history."""

from collections.abc import Collection, Iterable
from dataclasses import fields
from functools import cache
from typing import Any
from uuid import UUID

from sqlalchemy import Select, bindparam, func, or_, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger
from service.record.errors import NotFound
from service.record.rows import Revision, TrialRow
from service.record.tables import DeclaredTrial, Question, Replication, ReplicationRevision, table_of

_HEX_DIGITS = 64
_BEGINNINGS_AT_ONCE = 8
"""SQLite looks so many up in an index, each by itself; of twenty it thinks that reading the whole index is less."""
_NOBODY = UUID(int=0)
_ROWS = table_of(Replication)
TRIAL_COLUMNS = [getattr(DeclaredTrial, each.name) for each in fields(TrialRow)]


def get(session: Session, replication_id: UUID) -> Replication:
    """Return a replication in any state; raise NotFound for none."""
    replication = session.get(Replication, replication_id)
    if replication is None:
        raise NotFound("There is no such replication.")
    return replication


def is_public(replication: Replication) -> bool:
    """Say whether anybody may see it: from its submission on, whatever became of it."""
    return replication.submitted_position is not None


def page(
    session: Session,
    *,
    question_id: UUID | None = None,
    contributor_id: UUID | None = None,
    public_only: bool = True,
    after: int | None = None,
    limit: int = 50,
) -> list[Replication]:
    """Return replications, newest start first.

    Parameters
    ----------
    session : Session
        Any session.
    question_id : UUID or None
        Only those that stand in this question's answer.
    contributor_id : UUID or None
        Only this contributor's.
    public_only : bool
        Leave out what was never submitted; False is for their owner.
    after : int or None
        `replication.started_position` of the last one of the page before.
    limit : int
        How many at most.

    """
    query = select(Replication).order_by(col(Replication.started_position).desc()).limit(limit)
    if question_id is not None:
        query = query.where(col(Replication.counted_in_id) == question_id)
    if contributor_id is not None:
        query = query.where(col(Replication.contributor_id) == contributor_id)
    if public_only:
        query = query.where(col(Replication.submitted_position).is_not(None))
    if after is not None:
        query = query.where(col(Replication.started_position) < after)
    return list(session.execute(query).scalars())


def document(session: Session, replication: Replication, revision: int | None = None) -> dict[str, Any] | None:
    """Return the document of a revision, the newest where none is named.

    None means that it was erased; NotFound is raised for a revision that there never was.
    """
    query = select(col(ReplicationRevision.position)).where(
        col(ReplicationRevision.replication_id) == replication.id,
        col(ReplicationRevision.revision) == (revision or replication.revision),
    )
    position = session.execute(query).scalar_one_or_none()
    if position is None:
        raise NotFound(f"This replication has no revision {revision}.")
    content = ledger.content_of(session, position)
    return None if content is None else content["document"]


def documents_at(session: Session, replication_ids: Iterable[UUID], position: int) -> dict[UUID, dict[str, Any]]:
    """Return each replication's document as it stood at a ledger position, without the erased."""
    query = (
        select(col(ReplicationRevision.replication_id), func.max(col(ReplicationRevision.position)))
        .where(
            col(ReplicationRevision.replication_id).in_(list(replication_ids)),
            col(ReplicationRevision.position) <= position,
        )
        .group_by(col(ReplicationRevision.replication_id))
    )
    newest = dict(session.execute(query).all())
    contents = ledger.contents_of(session, newest.values())
    return {each: contents[at]["document"] for each, at in newest.items() if at in contents}


def revisions(session: Session, replication: Replication) -> list[Revision]:
    """Return every revision of a replication with its document, in order."""
    query = (
        select(ReplicationRevision)
        .where(col(ReplicationRevision.replication_id) == replication.id)
        .order_by(col(ReplicationRevision.revision))
    )
    found = list(session.execute(query).scalars())
    contents = ledger.contents_of(session, [each.position for each in found])
    return [
        Revision(
            each.revision,
            each.state,
            each.reason,
            each.position,
            each.created_at,
            contents[each.position]["document"] if each.position in contents else None,
        )
        for each in found
    ]


def trials(session: Session, replication: Replication) -> list[TrialRow]:
    """Return the declared trials of a replication's newest revision, in the order they were typed."""
    query = (
        select(*TRIAL_COLUMNS)
        .where(col(DeclaredTrial.replication_id) == replication.id, col(DeclaredTrial.revision) == replication.revision)
        .order_by(col(DeclaredTrial.ordinal))
    )
    return [TrialRow(**row) for row in session.execute(query).mappings()]


def submitted_by_name(session: Session, names: Iterable[str]) -> set[str]:
    """Return which of some replications, named as ledger subjects are, have been submitted and not erased."""
    query = select(col(Replication.id)).where(
        col(Replication.id).in_([UUID(name) for name in names]),
        col(Replication.submitted_position).is_not(None),
        col(Replication.erased_position).is_(None),
    )
    return {str(each) for each in session.execute(query).scalars()}


def fingerprints_like(
    session: Session, question_id: UUID, beginnings: Collection[str], *, other_than: UUID | None = None
) -> set[str]:
    """Return the fingerprints, of what was submitted and stands in a question's answer, that begin in given ways."""
    wanted, found = sorted(beginnings), set[str]()
    for first in range(0, len(wanted), _BEGINNINGS_AT_ONCE):
        some = wanted[first : first + _BEGINNINGS_AT_ONCE]
        # In hex all that begins alike lies between zeros and f's, which an index finds in any order of letters.
        bounds = {f"from_{n}": each.ljust(_HEX_DIGITS, "0") for n, each in enumerate(some)}
        bounds |= {f"to_{n}": each.ljust(_HEX_DIGITS, "f") for n, each in enumerate(some)}
        rows = session.execute(_begin_in(len(some)), {**bounds, "other_than": other_than or _NOBODY})
        found |= {row.fingerprint for row in rows if (row.counted_in_id, row.state) == (question_id, "submitted")}
    return found


@cache
def _begin_in(ways: int) -> Select[Any]:
    """Make the statement once for each number of beginnings.

    Question and state are looked at afterwards: SQLite would take the question's index instead, and read all of it.
    """
    ranges = [_ROWS.c.fingerprint.between(bindparam(f"from_{n}"), bindparam(f"to_{n}")) for n in range(ways)]
    return (
        select(_ROWS.c.fingerprint, _ROWS.c.counted_in_id, _ROWS.c.state)
        .distinct()
        .where(or_(*ranges), _ROWS.c.id != bindparam("other_than"))
    )


def with_merged(session: Session, question_id: UUID, position: int) -> set[UUID]:
    """Return a question, and those that had been merged into it by a ledger position."""
    found: set[UUID] = set()
    newest = {question_id}
    while newest:
        found |= newest
        query = select(col(Question.id)).where(
            col(Question.merged_into_id).in_(newest), col(Question.merged_position) <= position
        )
        newest = set(session.execute(query).scalars()) - found
    return found
