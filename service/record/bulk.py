"""Many replications started at once: the rows that as many single starts would write, in a few statements."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col
from uuid_utils.compat import uuid7

from service.record import ledger
from service.record.clock import now
from service.record.errors import Conflict
from service.record.many_rows import ManyRows
from service.record.observations import OBSERVATIONS, bound
from service.record.replications import REPLICATIONS, REVISIONS, TRIALS, start_row, trial_rows
from service.record.rows import Entry
from service.record.tables import Contributor, Household, Question, Replication

_AT_ONCE = 5000
_HOUSEHOLDS = ManyRows(Household, ("id", "created_at"))
_CONTRIBUTORS = ManyRows(Contributor, ("id", "household_id", "display_name", "is_steward", "created_at"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A contributor without a token, and the household they are in."""

    id: UUID
    household_id: UUID
    display_name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NewStart:
    """A replication to be started, with everything computed that can be before the ledger is locked.

    `text` is the canonical form of `replications.revision_content`. `trials` and `observations` are what `trial_values`
    and `observation_values` make of rows: plain values, which are quickly handed to another process.
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
    trials: Sequence[tuple[Any, ...]] = ()
    observations: Sequence[tuple[Any, ...]] = ()

    def with_flags(self, change: Callable[[tuple[str, ...]], tuple[str, ...]]) -> "NewStart":
        """Return it with other flags on each observation."""
        return replace(self, observations=[(*values, change(flags)) for *values, flags in self.observations])


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
    connection = session.connection()
    _HOUSEHOLDS.copy(connection, [(each, moment) for each in sorted(households)])
    known = _known(session, col(Contributor.id), set(wanted))
    _CONTRIBUTORS.copy(
        connection,
        [
            (each.id, each.household_id, each.display_name, False, moment)
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
    connection = session.connection()
    REPLICATIONS.copy(connection, [start_row(each, entry) for each, entry in written])
    REVISIONS.copy(
        connection, [(uuid7(), each.id, 1, each.state, None, entry.position, entry.at) for each, entry in written]
    )
    TRIALS.copy(connection, [row for each in starts for row in trial_rows(each.id, 1, each.trials)])
    OBSERVATIONS.copy(connection, [row for each, entry in written for row in _observations(each, entry.position)])
    return entries


def _refuse_unless_open(session: Session, question_ids: set[UUID]) -> None:
    query = select(col(Question.slug), col(Question.status)).where(col(Question.id).in_(question_ids))
    for slug, status in session.execute(query):
        if status != "open":
            raise Conflict(f"The question {slug} is {status}: nothing new is taken for it.")


def _observations(start: NewStart, position: int) -> Iterable[tuple[Any, ...]]:
    whose = (start.question_id, start.id, start.household_id, start.contributor_id)
    return bound(start.observations, (*whose, start.protocol_version, position))
