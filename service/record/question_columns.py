"""What the record holds of each question as columns, read once and then followed by what changes."""

from collections import OrderedDict
from dataclasses import replace
from threading import Lock
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import changes, kept_columns, ledger, question_state
from service.record.observation_columns import Observations, nothing_observed, read_observations
from service.record.question_state import QuestionColumns
from service.record.replication_reads import with_merged
from service.record.start_columns import Starts, nothing_started, read_starts
from service.record.tables import Observation, Question

_BOUND = 256 * 1024 * 1024
_MOST_FOLLOWED = 2000
"""Entries that are followed however small the question is."""
_SHARE_FOLLOWED = 8
"""A question is read anew when more than one in so many of its rows would be read again."""
_BEGINNING = -1


class KeptColumns:
    """The columns of the question asked about last, and of those before it within a bound of memory."""

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
                while len(self._kept) > 1 and sum(each for _, each in self._kept.values()) > self._bound:
                    self._kept.popitem(last=False)
        return columns

    def to_keep(self, question_id: UUID) -> QuestionColumns | None:
        """Return a large question's columns when much was read that isn't kept in the record, and take it for kept."""
        with self._lock:
            columns, size = self._kept.get(question_id, (None, 0))
            if columns is None or not columns.is_worth_keeping:
                return None
            self._kept[question_id] = replace(columns, not_kept=0), size
        return columns

    def put_packed(self, packed: QuestionColumns) -> None:
        """Take columns that were read from the record's own in the place of the same ones, read row by row."""
        question_id = packed.observations.question_id
        with self._lock:
            columns, _ = self._kept.get(question_id, (None, 0))
            if columns is not None and columns.position == packed.position:
                self._kept[question_id] = packed, packed.size_bytes()


def state_at(session: Session, question_id: UUID, position: int) -> tuple[Observations, Starts]:
    """Return a question's observations and starts as they stood at a ledger position."""
    kept: KeptColumns | None = session.info.get("columns")
    columns = up_to_now(session, question_id) if kept is None else kept.of(session, question_id, position)
    return columns.at(session, position)


def up_to_now(session: Session, question_id: UUID, known: QuestionColumns | None = None) -> QuestionColumns:
    """Read a question's columns, or what has changed of them since they were read."""
    position = ledger.last_position_of(session, question_id)
    known = known or kept_columns.read(session, question_id, position)
    changed = None if known is None else changes.since(session, question_id, known.position, _most_followed(known))
    family = frozenset(with_merged(session, question_id, position))
    if known is None or changed is None:
        starts = nothing_started().with_fresh(read_starts(session, family))
        observations = nothing_observed(question_id).with_fresh(
            read_observations(session, question_id), starts, _BEGINNING
        )
        return QuestionColumns(position, starts, observations, family, not_kept=len(observations))
    starts, observations, not_kept = known.starts, known.observations, known.not_kept
    if changed:
        starts = starts.with_fresh(read_starts(session, family, changed))
        observations = observations.with_fresh(
            read_observations(session, question_id, changed.replications), starts, known.position
        )
        not_kept += len(changed)
    return QuestionColumns(position, starts, observations, family, not_kept)


def _most_followed(known: QuestionColumns) -> int:
    return max(_MOST_FOLLOWED, len(known.observations) // _SHARE_FOLLOWED)


def has_more_than(session: Session, question_id: UUID, count: int) -> bool:
    """Say whether a question has more observations than this, without counting the rest."""
    query = select(col(Observation.id)).where(col(Observation.question_id) == question_id).offset(count).limit(1)
    return session.execute(query).first() is not None


def large_questions(session: Session, *, most: int | None = None) -> list[UUID]:
    """List the large questions, or some of them; of each no more is counted than tells whether it is large."""
    beyond = (
        select(col(Observation.id))
        .where(col(Observation.question_id) == col(Question.id))
        .offset(question_state.LARGE)
        .limit(1)
    )
    return list(session.execute(select(col(Question.id)).where(beyond.exists()).limit(most)).scalars())
