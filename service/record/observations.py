"""Observations as they enter, leave, and stood at a ledger position."""

from collections.abc import Iterable
from dataclasses import fields
from typing import Any
from uuid import UUID

from sqlalchemy import Uuid, and_, case, insert, literal, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record.rows import LeftReason, ObservationRow, RecordedObservation
from service.record.tables import Contributor, Observation, Replication, table_of

_ADD = insert(table_of(Observation))
_OWN = tuple(each.name for each in fields(ObservationRow))
_BOUND = ("replication_id", "household_id", "contributor_id")
_COLUMNS = [
    getattr(Observation, name)
    for name in (
        *_OWN,
        *_BOUND,
        "id",
        "question_id",
        "protocol_version",
        "entered_position",
        "left_position",
        "left_reason",
    )
]


def at_position(session: Session, question_id: UUID, position: int) -> list[RecordedObservation]:
    """Return the observations that had entered a question's evidence by a position and not left.

    Those that were retracted by then come too, with `left_reason` "retracted", so that an answer can be shown with
    them. The order is that of entry.
    """
    query = (
        select(*_COLUMNS, col(Contributor.vouched_position))
        .join(Contributor, col(Contributor.id) == col(Observation.contributor_id))
        .join(Replication, col(Replication.id) == col(Observation.replication_id))
        .where(
            col(Observation.question_id) == question_id,
            col(Observation.entered_position) <= position,
            or_(
                col(Observation.left_position).is_(None),
                col(Observation.left_position) > position,
                col(Observation.left_reason) == "retracted",
            ),
            # Retracted and then erased, there is nothing left to put back.
            or_(col(Replication.erased_position).is_(None), col(Replication.erased_position) > position),
        )
        .order_by(col(Observation.entered_position), col(Observation.id))
    )
    return [_recorded(row, position) for row in session.execute(query)]


def _recorded(row: Any, position: int) -> RecordedObservation:  # noqa: ANN401  # a row of columns chosen by name
    values = row._asdict()
    vouched_position = values.pop("vouched_position")
    if values["left_position"] is not None and values["left_position"] > position:
        values["left_position"] = values["left_reason"] = None
    values["flags"] = tuple(values["flags"])
    return RecordedObservation(**values, vouched=vouched_position is not None and vouched_position <= position)


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
    values = [own_values(row) | bound for row in rows]
    if values:
        session.execute(_ADD, values)


def own_values(row: ObservationRow) -> dict[str, Any]:
    """Return the columns that an observation brings itself."""
    values = {name: getattr(row, name) for name in _OWN}
    values["details"] = dict(row.details)
    values["moderators"] = dict(row.moderators)
    values["flags"] = list(row.flags)
    return values


def move(session: Session, question_id: UUID, into_id: UUID, *, entered: int, left: int) -> None:
    """Take a question's observations out of its evidence and put them into another's, by two ledger positions.

    What was retracted before goes along as retracted, so that the other answer can be shown with it too.
    """
    same = [*_OWN, *_BOUND]
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
