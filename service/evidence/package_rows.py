"""The rows of a data package's tables, read from the record as it stood at a position."""

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from service.evidence.collect import Held
from service.record import exports, replication_reads
from service.record.database import Session
from service.record.rows import Start

_AT_ONCE = 500


def public_ids(held: Held) -> frozenset[UUID]:
    """Name the replications that had been submitted by the position; of the others no more is shown than a count."""
    return frozenset(start.replication_id for start in held.starts if start.submitted_position is not None)


def replications(session: Session, held: Held) -> Iterator[dict[str, Any]]:
    """Give every replication that was started, in order."""
    for first in range(0, len(held.starts), _AT_ONCE):
        some = held.starts[first : first + _AT_ONCE]
        shown = [start.replication_id for start in some if start.submitted_position is not None]
        documents = replication_reads.documents_at(session, shown, held.position)
        followed = exports.questions_followed(session, [start.replication_id for start in some])
        positions = [start.registered_position for start in some if start.registered_position is not None]
        stamps = exports.moments(session, positions)
        for start in some:
            registered_at = stamps.get(start.registered_position or 0)
            yield _replication(start, followed[start.replication_id], registered_at, documents)


def _replication(
    start: Start, question: str, registered_at: datetime | None, documents: Mapping[UUID, Mapping[str, Any]]
) -> dict[str, Any]:
    """Make a row; of what was never submitted no more is told than what the answer counts it by."""
    row = {
        "replication": start.replication_id,
        "question": question,
        "protocol_version": start.protocol_version,
        "state": start.state,
        "household": start.household_id,
        "vouched": start.vouched,
        **{f"plan_{name}": start.plan.get(name) for name in _COUNTED_BY},
        "started_position": start.started_position,
        "registered_position": start.registered_position,
        "registered_at": registered_at,
        "submitted_position": start.submitted_position,
        "withdrawal_asked_position": start.withdrawal_asked_position,
        "withdrawn_position": start.withdrawn_position,
        "retracted_position": start.retracted_position,
        "erased_position": start.erased_position,
    }
    if start.submitted_position is None:
        return row
    document = documents.get(start.replication_id, {})
    plan = {f"plan_{name}": start.plan.get(name) for name in _REST_OF_PLAN}
    told = {name: document.get(name) for name in _TOLD}
    return row | plan | told


_COUNTED_BY = ("control", "treatment", "method", "presentations")
_REST_OF_PLAN = ("primary_outcome", "significance")
_TOLD = ("kitchen", "conditions", "assignment", "observer_knew_the_arms", "suspected_confounds", "notes")


def trials(session: Session, held: Held) -> Iterator[dict[str, Any]]:
    """Give the declared trials of what was submitted, and then its sealed ones."""
    public = public_ids(held)
    listed = [start.replication_id for start in held.starts if start.replication_id in public]
    for replication_id, number, trial in exports.trials(session, listed, held.position):
        own = {"replication": replication_id, "sealed": False, "number": number}
        yield {name: getattr(trial, name) for name in _OF_TRIAL} | own
    for sealed, result in exports.sealed_trials(session, listed, held.position):
        first = result["first_answer_at"]
        yield {
            "replication": sealed.replication_id,
            "sealed": True,
            "number": sealed.number,
            "trial": sealed.id,
            "method": sealed.method,
            "control": sealed.control,
            "treatment": sealed.treatment,
            "planned": sealed.presentations * result["tasters"],
            "presented": sum(each["presented"] for each in result["assessors"]),
            "correct": sum(each["correct"] for each in result["assessors"]),
            "assessors": len(result["assessors"]),
            "order_draw": sealed.order_draw,
            "told_during": False,
            "key_held_by": "helper",
            "tasted_on": None if first is None else datetime.fromisoformat(first).date(),
            "opened_position": sealed.opened_position,
            "closed_position": sealed.closed_position,
            "ended_by": sealed.ended_by,
        }


_OF_TRIAL = (
    "method",
    "control",
    "treatment",
    "planned",
    "presented",
    "correct",
    "assessors",
    "order_draw",
    "told_during",
    "key_held_by",
    "tasted_on",
)


def observations(_session: Session, held: Held) -> Iterator[dict[str, Any]]:
    """Give what the evidence is pooled from, in order of receipt."""
    for number, row in enumerate(held.rows, start=1):
        yield {
            "number": number,
            "replication": row.replication_id,
            "household": row.household_id,
            "retracted": row.left_reason == "retracted",
            "flags": list(row.flags),
            "details": dict(row.details),
            "moderators": dict(row.moderators),
        } | {name: getattr(row, name) for name in _OF_OBSERVATION}


_OF_OBSERVATION = (
    "protocol_version",
    "control",
    "treatment",
    "outcome",
    "sham",
    "method",
    "presented",
    "correct",
    "assessors",
    "difference",
    "variance",
    "control_event",
    "treatment_event",
    "sealed",
    "registered",
    "vouched",
    "conditions_met",
    "outside_the_test",
    "entered_position",
)


def impressions(session: Session, held: Held) -> Iterator[dict[str, Any]]:
    """Give the impressions without blinding, in order."""
    for report in exports.impressions(session, held.question.id, held.position):
        yield {
            "impression": report.id,
            "leans": report.leans,
            "text": report.text,
            "position": report.position,
            "at": report.created_at,
        }


def entries(session: Session, held: Held) -> Iterator[exports.ExportedEntry]:
    """Give the ledger entries that touch the question, with what may be shown of each."""
    family = replication_reads.with_merged(session, held.question.id, held.position)
    return exports.entries(session, family, held.position, public_ids(held))


def ledger(session: Session, held: Held) -> Iterator[dict[str, Any]]:
    """Give the ledger entries that touch the question."""
    for each in entries(session, held):
        entry = each.entry
        yield {
            "position": entry.position,
            "kind": entry.kind,
            "subject": entry.subject,
            "at": entry.at,
            "content_hash": entry.content_hash,
            "leaf_hash": entry.leaf_hash,
            "showing": each.showing,
        }


def blocks(session: Session, held: Held) -> Iterator[dict[str, Any]]:
    """Give the subtrees between those entries."""
    positions = (each.entry.position for each in entries(session, held))
    for block in exports.blocks(session, positions, held.position):
        yield {"first": block.first, "leaves": block.leaves, "hash": block.hash}


def contents(session: Session, held: Held) -> Iterator[str]:
    """Give the shown contents as JSON lines: position, salt, and the canonical bytes that were hashed, as text."""
    for each in entries(session, held):
        if each.showing == "shown":
            line = {"position": each.entry.position, "salt": each.salt, "content": each.content}
            yield json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n"
