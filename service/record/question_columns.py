"""What the record holds of each question as columns, read once and then followed by what changes."""

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger
from service.record.observation_columns import (
    ObservationColumns,
    Observations,
    nothing_observed,
    read_observations,
)
from service.record.replication_reads import with_merged
from service.record.start_columns import StartColumns, Starts, nothing_started, read_starts
from service.record.tables import LedgerEntry, Observation

_BOUND = 256 * 1024 * 1024
_MOST_FOLLOWED = 2000
"""Entries after which reading everything again is as quick as following them."""
_FOLLOWED = frozenset({"registration", "submission", "amendment", "withdrawal", "retraction", "vouch"})
"""Entries whose subject is the replication, or the contributor of the replications, that they change."""
_UNTOUCHING = frozenset({"question", "protocol", "report", "trial-opened", "trial-closed"})
"""Entries that change no observation, and nothing of what became of a replication."""
_BEGINNING = -1


@dataclass(frozen=True, slots=True)
class QuestionColumns:
    """All that stood in a question's evidence up to a position: every earlier state is a mask over it."""

    position: int
    starts: StartColumns
    observations: ObservationColumns
    family: frozenset[UUID]
    """The question, and those that had been merged into it by that position."""

    def at(self, session: Session, position: int) -> tuple[Observations, Starts]:
        """See the question as it stood at a position, no later than that of the columns."""
        question_id, is_newest = self.observations.question_id, position == self.position
        family = self.family if is_newest else with_merged(session, question_id, position)
        return self.observations.at(position, self.starts), self.starts.at(position, family)

    def size_bytes(self) -> int:
        """Estimate the memory they take."""
        return self.starts.size_bytes() + self.observations.size_bytes()


class KeptColumns:
    """The columns of the questions asked about last, within a bound of memory."""

    def __init__(self, bound_bytes: int = _BOUND) -> None:
        self._bound = bound_bytes
        self._kept: OrderedDict[UUID, tuple[QuestionColumns, int]] = OrderedDict()
        self._turns: dict[UUID, Lock] = {}
        self._lock = Lock()

    def of(self, session: Session, question_id: UUID, position: int) -> QuestionColumns:
        """Return a question's columns up to a position or beyond, reading what was not read before.

        Of several who ask for one question at once one reads, and the others wait for it.
        """
        with self._lock:
            turn = self._turns.setdefault(question_id, Lock())
        with turn:
            with self._lock:
                # Taken out: what is being brought up to date is nobody's until it is whole.
                columns, size = self._kept.pop(question_id, (None, 0))
            if columns is None or columns.position < position:
                columns = up_to_now(session, question_id, columns)
                size = columns.size_bytes()
            with self._lock:
                self._kept[question_id] = columns, size
                while self._kept and sum(each for _, each in self._kept.values()) > self._bound:
                    self._kept.popitem(last=False)
        return columns


def state_at(session: Session, question_id: UUID, position: int) -> tuple[Observations, Starts]:
    """Return a question's observations and starts as they stood at a ledger position."""
    kept: KeptColumns | None = session.info.get("columns")
    columns = up_to_now(session, question_id) if kept is None else kept.of(session, question_id, position)
    return columns.at(session, position)


def up_to_now(session: Session, question_id: UUID, known: QuestionColumns | None = None) -> QuestionColumns:
    """Read a question's columns, or what has changed of them since they were read."""
    position = ledger.last_position_of(session, question_id)
    since = None if known is None else _subjects_since(session, question_id, known.position)
    family = with_merged(session, question_id, position)
    if known is None or since is None:
        starts, observations, after = nothing_started(), nothing_observed(question_id), _BEGINNING
    else:
        starts, observations, after = known.starts, known.observations, known.position
    if since is None or since:
        starts = starts.with_fresh(read_starts(session, family, since))
        observations = observations.with_fresh(read_observations(session, question_id, since), starts, after)
    return QuestionColumns(position, starts, observations, frozenset(family))


def _subjects_since(session: Session, question_id: UUID, position: int) -> list[UUID] | None:
    """Return the replications and contributors that entries after a position are about; None where all is to be read.

    After an erasure nothing that was read before it is kept, and a merge moves rows by the thousand.
    """
    query = (
        select(col(LedgerEntry.kind), col(LedgerEntry.subject))
        .where(col(LedgerEntry.question_id) == question_id, col(LedgerEntry.position) > position)
        .limit(_MOST_FOLLOWED + 1)
    )
    entries = session.execute(query).all()
    if len(entries) > _MOST_FOLLOWED or any(kind not in _FOLLOWED | _UNTOUCHING for kind, _ in entries):
        return None
    return [UUID(subject) for subject in {subject for kind, subject in entries if kind in _FOLLOWED}]


def has_more_than(session: Session, question_id: UUID, count: int) -> bool:
    """Say whether a question has more observations than this, without counting the rest."""
    query = select(col(Observation.id)).where(col(Observation.question_id) == question_id).offset(count).limit(1)
    return session.execute(query).first() is not None
