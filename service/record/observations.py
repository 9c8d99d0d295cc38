"""Observations as they enter the evidence, move and leave."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields
from functools import lru_cache
from operator import attrgetter
from typing import Any
from uuid import UUID

from pydantic_core import to_json
from sqlalchemy import Uuid, and_, case, insert, literal, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record.many_rows import ManyRows
from service.record.rows import LeftReason, ObservationRow
from service.record.tables import Observation, Replication

_OWN = tuple(each.name for each in fields(ObservationRow))
_TEXTS = ("details", "moderators", "flags")
_PLAIN = tuple(name for name in _OWN if name not in _TEXTS)
_WHOSE = ("replication_id", "household_id", "contributor_id")
OBSERVATIONS = ManyRows(Observation, (*_PLAIN, *_TEXTS, "question_id", *_WHOSE, "protocol_version", "entered_position"))
_plain_values: Callable[[ObservationRow], tuple[Any, ...]] = attrgetter(*_PLAIN)


def observation_values(rows: Iterable[ObservationRow]) -> list[tuple[Any, ...]]:
    """Return what observations bring themselves, as it is written; their flags come last, and not yet as text."""
    values = []
    moderators: Mapping[str, Any] | None = None
    for row in rows:
        if row.moderators is not moderators:  # a document's are the same in all its rows
            moderators, text = row.moderators, json_text(row.moderators)
        values.append((*_plain_values(row), json_text(row.details), text, row.flags))
    return values


def bound(values: Iterable[tuple[Any, ...]], to: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    """Turn `observation_values` into rows of `OBSERVATIONS` that belong to a question, replication and so on."""
    for *own, flags in values:
        yield (*own, _flags_text(flags), *to)


def json_text(value: object) -> str:
    """Write what a JSON column holds."""
    return to_json(value).decode()


_flags_text = lru_cache(maxsize=1024)(json_text)


def enter(session: Session, replication: Replication, rows: Iterable[ObservationRow], position: int) -> None:
    """Write a replication's observations into the evidence from a position on."""
    merged = replication.counted_in_id != replication.question_id
    to = (
        *(replication.counted_in_id, replication.id, replication.household_id, replication.contributor_id),
        *(None if merged else replication.protocol_version, position),
    )
    OBSERVATIONS.insert(session.connection(), list(bound(observation_values(rows), to)))


def move(session: Session, question_id: UUID, into_id: UUID, *, entered: int, left: int) -> None:
    """Take a question's observations out of its evidence and put them into another's, by two ledger positions.

    What was retracted before goes along as retracted, so that the other answer can be shown with it too.
    """
    same = [*_OWN, *_WHOSE]
    source = (
        select(
            literal(into_id, Uuid()),
            literal(entered),
            case((col(Observation.left_reason) == "retracted", entered)),
            case((col(Observation.left_reason) == "retracted", "retracted")),
            *(getattr(Observation, name) for name in same),
        )
        .where(
            col(Observation.question_id) == question_id,
            or_(col(Observation.left_position).is_(None), col(Observation.left_reason) == "retracted"),
        )
        .order_by(col(Observation.entered_position), col(Observation.id))
    )
    session.execute(
        insert(Observation).from_select(
            ["question_id", "entered_position", "left_position", "left_reason", *same], source
        )
    )
    session.execute(
        update(Observation)
        .where(col(Observation.question_id) == question_id, col(Observation.left_position).is_(None))
        .values(left_position=left, left_reason="merged")
        .execution_options(synchronize_session=False)
    )


def leave(session: Session, replication_id: UUID, position: int, reason: LeftReason) -> None:
    """Take a replication's present observations out of the evidence from a position on."""
    session.execute(
        update(Observation)
        .where(and_(col(Observation.replication_id) == replication_id, col(Observation.left_position).is_(None)))
        .values(left_position=position, left_reason=reason)
        .execution_options(synchronize_session=False)
    )
