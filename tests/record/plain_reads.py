"""Observations and starts as they stood at a position, read row by row: what the columns are held against."""

from dataclasses import fields

from sqlalchemy import or_, select
from sqlmodel import col

from service.record.replication_reads import with_merged
from service.record.rows import ObservationRow, RecordedObservation, Start
from service.record.tables import Contributor, Observation, Replication

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
# What a replication is by the latest of these that it has reached.
_REACHED: dict[str, str] = {
    "erased_position": "erased",
    "retracted_position": "retracted",
    "withdrawn_position": "withdrawn",
    "submitted_position": "submitted",
    "registered_position": "registered",
}
_START_COLUMNS = [
    getattr(Replication, name)
    for name in (
        "household_id",
        "contributor_id",
        "protocol_version",
        "plan",
        "started_position",
        "withdrawal_asked_position",
        *_REACHED,
    )
]


def at_position(session, question_id, position) -> list[RecordedObservation]:
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


def _recorded(row, position) -> RecordedObservation:
    values = row._asdict()
    vouched_position = values.pop("vouched_position")
    if values["left_position"] is not None and values["left_position"] > position:
        values["left_position"] = values["left_reason"] = None
    values["flags"] = tuple(values["flags"])
    return RecordedObservation(**values, vouched=vouched_position is not None and vouched_position <= position)


def starts_at(session, question_id, position) -> list[Start]:
    """Return what had become, at a ledger position, of every replication started for a question, in order of start.

    Those of a question that had been merged into this one by then are among them.
    """
    query = (
        select(col(Replication.id).label("replication_id"), *_START_COLUMNS, col(Contributor.vouched_position))
        .join(Contributor, col(Contributor.id) == col(Replication.contributor_id))
        .where(
            col(Replication.question_id).in_(with_merged(session, question_id, position)),
            col(Replication.started_position) <= position,
        )
        .order_by(col(Replication.started_position))
    )
    return [_start(dict(row), position) for row in session.execute(query).mappings()]


def _start(values, position) -> Start:
    def reached(at) -> bool:
        return at is not None and at <= position

    vouched = reached(values.pop("vouched_position"))
    for name in (*_REACHED, "withdrawal_asked_position"):
        values[name] = values[name] if reached(values[name]) else None
    state = next(state for name, state in _REACHED.items() if values[name] is not None)
    return Start(**values, state=state, vouched=vouched)
