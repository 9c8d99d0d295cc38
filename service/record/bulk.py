"""Many replications started at once: the rows that as many single starts would write, in a few statements."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from sqlalchemy import insert, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col
from uuid_utils.compat import uuid7

from service.record import ledger
from service.record.clock import now
from service.record.errors import Conflict
from service.record.observations import own_values
from service.record.rows import Entry, ObservationRow, TrialRow
from service.record.tables import (
    Contributor,
    DeclaredTrial,
    Household,
    Observation,
    Question,
    Replication,
    ReplicationRevision,
)

_AT_ONCE = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A contributor without a token, and the household they are in."""

    id: UUID
    household_id: UUID
    display_name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NewStart:
    """A replication to be started, with everything computed that can be before the ledger is locked.

    `text` is the canonical form of `replications.revision_content`.
    """

    id: UUID
    question_id: UUID
    contributor_id: UUID
    household_id: UUID
    protocol_version: int
    plan: Mapping[str, Any]
    state: Literal["registered", "submitted"]
    text: bytes
    fingerprint: str
    trials: Sequence[TrialRow] = ()
    observations: Sequence[ObservationRow] = ()


def present(session: Session, replication_ids: Collection[UUID]) -> set[UUID]:
    """Return which of some replications the record has already."""
    query = select(col(Replication.id)).where(col(Replication.id).in_(list(replication_ids)))
    return set(session.execute(query).scalars())


def join(session: Session, members: Iterable[Member]) -> None:
    """Add those contributors and households that the record hasn't got, and leave the others as they are."""
    wanted = {member.id: member for member in members}
    moment = now(session)
    households = {member.household_id for member in wanted.values()}
    households -= _known(session, col(Household.id), households)
    _insert(session, Household, [{"id": each, "created_at": moment} for each in sorted(households)])
    known = _known(session, col(Contributor.id), set(wanted))
    _insert(
        session,
        Contributor,
        [
            {
                "id": each.id,
                "household_id": each.household_id,
                "display_name": each.display_name,
                "is_steward": False,
                "created_at": moment,
            }
            for each in wanted.values()
            if each.id not in known
        ],
    )


def _known(session: Session, column: Any, ids: Collection[UUID]) -> set[UUID]:  # noqa: ANN401  # a mapped column
    listed = list(ids)
    found: set[UUID] = set()
    for first in range(0, len(listed), _AT_ONCE):
        found |= set(session.execute(select(column).where(column.in_(listed[first : first + _AT_ONCE]))).scalars())
    return found


def start_all(session: Session, starts: Sequence[NewStart], moments: Sequence[datetime] | None = None) -> list[Entry]:
    """Register or submit many replications, in order.

    Parameters
    ----------
    session : Session
        A session of `Database.write`; their contributors are in the record (`join`).
    starts : sequence of NewStart
        None of them in the record already.
    moments : sequence of datetime or None
        When each happened, for a record that is loaded; the session's clock where left out.

    Raises
    ------
    Conflict
        One of the questions isn't open.

    """
    entries = ledger.append_all(
        session,
        [
            ledger.Pending(
                "registration" if each.state == "registered" else "submission",
                str(each.id),
                each.text,
                each.question_id,
            )
            for each in starts
        ],
        moments,
    )
    _refuse_unless_open(session, {each.question_id for each in starts})
    written = list(zip(starts, entries, strict=True))
    _insert(session, Replication, [_replication(each, entry) for each, entry in written])
    _insert(session, ReplicationRevision, [_revision(each, entry) for each, entry in written])
    _insert(session, DeclaredTrial, [row for each in starts for row in _trials(each)])
    _insert(session, Observation, [row for each, entry in written for row in _observations(each, entry.position)])
    return entries


def _refuse_unless_open(session: Session, question_ids: set[UUID]) -> None:
    query = select(col(Question.slug), col(Question.status)).where(col(Question.id).in_(question_ids))
    for slug, status in session.execute(query):
        if status != "open":
            raise Conflict(f"The question {slug} is {status}: nothing new is taken for it.")


def _insert(session: Session, table: type[SQLModel], rows: list[dict[str, Any]]) -> None:
    if rows:
        # Straight into the table: the unit of work would look at each row again.
        session.execute(insert(table.__table__), rows)  # type: ignore[attr-defined]  # SQLModel makes it


def _replication(start: NewStart, entry: Entry) -> dict[str, Any]:
    registered = start.state == "registered"
    return {
        "id": start.id,
        "question_id": start.question_id,
        "counted_in_id": start.question_id,
        "protocol_version": start.protocol_version,
        "contributor_id": start.contributor_id,
        "household_id": start.household_id,
        "state": start.state,
        "revision": 1,
        "plan": dict(start.plan),
        "started_position": entry.position,
        "registered_at": entry.at if registered else None,
        "registered_position": entry.position if registered else None,
        "submitted_position": None if registered else entry.position,
        "fingerprint": start.fingerprint,
        "created_at": entry.at,
        "updated_at": entry.at,
    }


def _revision(start: NewStart, entry: Entry) -> dict[str, Any]:
    return {
        "id": uuid7(),
        "replication_id": start.id,
        "revision": 1,
        "state": start.state,
        "reason": None,
        "position": entry.position,
        "created_at": entry.at,
    }


_TRIAL_FIELDS = tuple(TrialRow.__dataclass_fields__)


def _trials(start: NewStart) -> Iterable[dict[str, Any]]:
    for ordinal, trial in enumerate(start.trials, start=1):
        own = {name: getattr(trial, name) for name in _TRIAL_FIELDS}
        yield own | {"id": uuid7(), "replication_id": start.id, "revision": 1, "ordinal": ordinal}


def _observations(start: NewStart, position: int) -> Iterable[dict[str, Any]]:
    for row in start.observations:
        yield own_values(row) | {
            "question_id": start.question_id,
            "replication_id": start.id,
            "household_id": start.household_id,
            "contributor_id": start.contributor_id,
            "protocol_version": start.protocol_version,
            "entered_position": position,
        }
