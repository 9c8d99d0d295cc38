"""Observations as they enter the evidence, move and leave."""

from collections.abc import Iterable
from dataclasses import fields
from typing import Any
from uuid import UUID

from sqlalchemy import Uuid, and_, case, insert, literal, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record.rows import LeftReason, ObservationRow
from service.record.tables import Observation, Replication, table_of

# Nobody needs to know the numbers that the rows are given.
_ADD = insert(table_of(Observation)).inline()
OWN = tuple(each.name for each in fields(ObservationRow))
_BOUND = ("replication_id", "household_id", "contributor_id")


def enter(session: Session, replication: Replication, rows: Iterable[ObservationRow], position: int) -> None:
    """Write a replication's observations into the evidence from a position on."""
    merged = replication.counted_in_id != replication.question_id
    bound = {
        "question_id": replication.counted_in_id,
        "replication_id": replication.id,
        "household_id": replication.household_id,
        "contributor_id": replication.contributor_id,
        "protocol_version": None if merged else replication.protocol_version,
        "entered_position": position,
    }
    values = [_own_values(row) | bound for row in rows]
    if values:
        session.connection().execute(_ADD, values)


def _own_values(row: ObservationRow) -> dict[str, Any]:
    """Return the columns that an observation brings itself."""
    values = {name: getattr(row, name) for name in OWN}
    values["details"] = dict(row.details)
    values["moderators"] = dict(row.moderators)
    values["flags"] = list(row.flags)
    return values


def move(session: Session, question_id: UUID, into_id: UUID, *, entered: int, left: int) -> None:
    """Take a question's observations out of its evidence and put them into another's, by two ledger positions.

    What was retracted before goes along as retracted, so that the other answer can be shown with it too.
    """
    same = [*OWN, *_BOUND]
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
