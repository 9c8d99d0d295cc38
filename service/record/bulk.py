"""Many replications started at once: the rows that as many single starts would write, in a few statements."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from functools import lru_cache
from operator import attrgetter
from typing import Any, Literal
from uuid import UUID

from pydantic_core import to_json
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col
from uuid_utils.compat import uuid7

from service.record import ledger
from service.record.clock import now
from service.record.errors import Conflict
from service.record.many_rows import ManyRows
from service.record.observations import OWN
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
_HOUSEHOLDS = ManyRows(Household, ("id", "created_at"))
_CONTRIBUTORS = ManyRows(Contributor, ("id", "household_id", "display_name", "is_steward", "created_at"))
_REPLICATIONS = ManyRows(
    Replication,
    (
        *("id", "question_id", "counted_in_id", "protocol_version", "contributor_id", "household_id"),
        *("state", "revision", "plan", "started_position", "registered_at", "registered_position"),
        *("submitted_position", "fingerprint", "created_at", "updated_at"),
    ),
)
_REVISIONS = ManyRows(
    ReplicationRevision, ("id", "replication_id", "revision", "state", "reason", "position", "created_at")
)
_TRIAL = tuple(each.name for each in fields(TrialRow))
_TRIALS = ManyRows(DeclaredTrial, ("id", "replication_id", "revision", "ordinal", *_TRIAL))
_PLAIN = tuple(name for name in OWN if name not in {"details", "moderators", "flags"})
_BOUND = ("question_id", "replication_id", "household_id", "contributor_id", "protocol_version", "entered_position")
_OBSERVATIONS = ManyRows(Observation, (*_PLAIN, "details", "moderators", "flags", *_BOUND))
_trial_values: Callable[[TrialRow], tuple[Any, ...]] = attrgetter(*_TRIAL)
_plain_values: Callable[[ObservationRow], tuple[Any, ...]] = attrgetter(*_PLAIN)


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


def trial_values(rows: Iterable[TrialRow]) -> list[tuple[Any, ...]]:
    """Return what declared trials are written as."""
    return [_trial_values(row) for row in rows]


def observation_values(rows: Iterable[ObservationRow]) -> list[tuple[Any, ...]]:
    """Return what observations are written as, their flags last."""
    return [(*_plain_values(row), _json_text(row.details), _json_text(row.moderators), row.flags) for row in rows]


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
    _HOUSEHOLDS.write(connection, [(each, moment) for each in sorted(households)])
    known = _known(session, col(Contributor.id), set(wanted))
    _CONTRIBUTORS.write(
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
    _REPLICATIONS.write(connection, [_replication(each, entry) for each, entry in written])
    _REVISIONS.write(
        connection, [(uuid7(), each.id, 1, each.state, None, entry.position, entry.at) for each, entry in written]
    )
    _TRIALS.write(connection, [row for each in starts for row in _trials(each)])
    _OBSERVATIONS.write(connection, [row for each, entry in written for row in _observations(each, entry.position)])
    return entries


def _refuse_unless_open(session: Session, question_ids: set[UUID]) -> None:
    query = select(col(Question.slug), col(Question.status)).where(col(Question.id).in_(question_ids))
    for slug, status in session.execute(query):
        if status != "open":
            raise Conflict(f"The question {slug} is {status}: nothing new is taken for it.")


def _replication(start: NewStart, entry: Entry) -> tuple[Any, ...]:
    registered = start.state == "registered"
    return (
        *(start.id, start.question_id, start.question_id, start.protocol_version),
        *(start.contributor_id, start.household_id, start.state, 1, _json_text(start.plan), entry.position),
        *((entry.at, entry.position, None) if registered else (None, None, entry.position)),
        *(start.fingerprint, entry.at, entry.at),
    )


def _trials(start: NewStart) -> Iterator[tuple[Any, ...]]:
    for ordinal, values in enumerate(start.trials, start=1):
        yield (uuid7(), start.id, 1, ordinal, *values)


def _observations(start: NewStart, position: int) -> Iterator[tuple[Any, ...]]:
    bound = (
        *(start.question_id, start.id, start.household_id, start.contributor_id),
        *(start.protocol_version, position),
    )
    for *values, flags in start.observations:
        yield (*values, _flags_text(flags), *bound)


def _json_text(value: Any) -> str:  # noqa: ANN401  # any JSON value
    return to_json(value).decode()


_flags_text = lru_cache(maxsize=1024)(_json_text)
