"""Sealed trials read back: as part of their replication, and each by itself."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from service.intake.report import limits
from service.intake.sealed_shown import (
    AnswerShown,
    ClosedBy,
    LedgerEntries,
    SealedTrialShown,
    TasterProgress,
    TrialResult,
    TrialShown,
    TrialState,
)
from service.intake.trial_documents import AssessorCount, DescriptorCounts, Preferred, SealedTrialDocument
from service.record import trials
from service.record.trial_tables import SealedTrial
from service.science.discrimination import significance
from service.science.trial_readings import significance_reading

VERIFY = (
    "Write `key` as canonical JSON (RFC 8785), put the 32 bytes that `salt` is the hex of before it, and take the "
    "SHA-256: in hex it is `key_commitment`, which was given out when the trial was opened. That the ledger has had it "
    "since: in the same way `ledger.opened_salt` and `ledger.opened_content`, which names the commitment, give the "
    "`content_hash` of the entry at position `ledger.opened`."
)


def state_of(trial: SealedTrial) -> TrialState:
    """Return whether a trial is open, was finished by its tasters, or was closed before."""
    if trial.ended_by is None:
        return "open"
    return "finished" if trial.ended_by == "tasters" else "closed"


def ended_trials(session: Session, replication_id: UUID) -> list[SealedTrialDocument]:
    """Return a replication's sealed trials that have ended, to be checked and reduced beside the typed ones."""
    found = trials.of_replication(session, replication_id)
    endings = trials.closing(session, found)
    return [_document(trial, endings[trial.id]["result"]) for trial in found if trial.id in endings]


def sealed_trials_shown(session: Session, replication_id: UUID) -> list[SealedTrialShown]:
    """Return all of a replication's sealed trials as its document shows them."""
    found = trials.of_replication(session, replication_id)
    endings = trials.closing(session, found)
    return [_beside(session, trial, endings.get(trial.id)) for trial in found]


def trial_shown(session: Session, trial: SealedTrial) -> TrialShown:
    """Show a trial: progress alone while it is open, then key, salt, answers and result."""
    progress = progress_of(session, trial)
    shown = TrialShown(
        id=trial.id,
        state=state_of(trial),
        closed_by=_closed_by(trial),
        method=trial.method,
        planned=trial.presentations * len(progress),
        answered=sum(each.answered for each in progress),
        tasters=progress,
        opened_at=trial.opened_at,
        closes_at=trial.due_at,
        closed_at=trial.closed_at,
        key_commitment=trial.key_commitment,
        ledger=LedgerEntries(opened=trial.opened_position, closed=trial.closed_position),
    )
    ending = trials.closing(session, [trial]).get(trial.id)
    if ending is None:
        return shown
    return shown.model_copy(
        update={
            "replication": trial.replication_id,
            "ledger": _entries(session, trial),
            "salt": ending["salt"],
            "key": ending["key"],
            "answers": [AnswerShown.model_validate(each) for each in ending["answers"]],
            "result": _result(_document(trial, ending["result"]), shown.planned),
            "verify": VERIFY,
        }
    )


def progress_of(session: Session, trial: SealedTrial) -> list[TasterProgress]:
    """Return how far each taster has come."""
    given = trials.answers(session, trial)
    return [
        TasterProgress(assessor=each.assessor, planned=trial.presentations, answered=len(given.get(each.id, [])))
        for each in trials.tasters(session, trial)
    ]


def _entries(session: Session, trial: SealedTrial) -> LedgerEntries:
    salt, content = trials.opening(session, trial)
    return LedgerEntries(
        opened=trial.opened_position, closed=trial.closed_position, opened_salt=salt, opened_content=content
    )


def _closed_by(trial: SealedTrial) -> ClosedBy | None:
    return None if trial.ended_by in {None, "tasters"} else trial.ended_by  # type: ignore[return-value]  # a checked column


def _document(trial: SealedTrial, result: Mapping[str, Any]) -> SealedTrialDocument:
    first = result["first_answer_at"]
    return SealedTrialDocument(
        id=trial.id,
        number=trial.number,
        ended_by=str(trial.ended_by),
        method=trial.method,  # type: ignore[arg-type]  # was one of them when it was opened
        control=trial.control,
        treatment=trial.treatment,
        tasted_on=None if first is None else datetime.fromisoformat(first),
        planned=trial.presentations * result["tasters"],
        order_draw=trial.order_draw,  # type: ignore[arg-type]  # as the service draws
        told_during=False,
        key_held_by="helper",
        serving_c=trial.serving.get("serving_c"),
        appearance_masked=trial.serving.get("appearance_masked"),
        assessors=[AssessorCount.model_validate(count) for count in result["assessors"]],
        preferred=None if result["preferred"] is None else Preferred.model_validate(result["preferred"]),
        descriptors=[DescriptorCounts.model_validate(count) for count in result["descriptors"]],
        pour_sheet_openings=result["pour_sheet_openings"],
        answered_before_pouring=result["answered_before_pouring"],
    )


def _beside(session: Session, trial: SealedTrial, ending: Mapping[str, Any] | None) -> SealedTrialShown:
    progress = progress_of(session, trial)
    document = None if ending is None else _document(trial, ending["result"])
    return SealedTrialShown(
        id=trial.id,
        number=trial.number,
        state=state_of(trial),
        closed_by=_closed_by(trial),
        method=trial.method,
        control=trial.control,
        treatment=trial.treatment,
        planned=trial.presentations * len(progress),
        presented=sum(each.answered for each in progress),
        order_draw=trial.order_draw,
        opened_at=trial.opened_at,
        closed_at=trial.closed_at,
        tasted_on=document.tasted_on if document else None,
        pour_sheet_openings=trial.pour_sheet_openings,
        assessors=document.assessors if document else None,
        preferred=document.preferred if document else None,
        descriptors=document.descriptors if document else [],
        key_commitment=trial.key_commitment,
    )


def _result(document: SealedTrialDocument, planned: int) -> TrialResult:
    tasters = len(document.assessors)
    tested = significance(document.method, document.presented, document.correct) if document.presented else None
    return TrialResult(
        planned=planned,
        presented=document.presented,
        correct=document.correct,
        assessors=document.assessors,
        preferred=document.preferred,
        descriptors=document.descriptors,
        p_value=None if tested is None else float(tested.p_value),
        proportion_discriminating=None if tested is None else limits(tested.proportion_discriminating),
        reading="Nobody answered."
        if tested is None
        else significance_reading(tested, fixed_beforehand=document.presented == planned, tasters=tasters),
    )
