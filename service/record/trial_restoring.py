"""Sealed trials that another record held, put back as its ledger tells them."""

import hashlib
import secrets
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger
from service.record.errors import Conflict
from service.record.trial_tables import SealedAnswer, SealedTaster, SealedTrial
from service.record.trials import OPEN_FOR

_NOT_THE_ANSWER = {"taster", "presentation", "right", "answered_at"}


def is_opened(session: Session, trial_id: UUID) -> bool:
    """Say whether the ledger has the opening of a trial."""
    return any(entry.kind == "trial-opened" for entry in ledger.entries_about(session, str(trial_id)))


def restore_opening(session: Session, content: Mapping[str, Any]) -> None:
    """Append the opening of a trial that has ended; its rows are written with its end."""
    ledger.append(session, kind="trial-opened", subject=content["trial"], content=content)


def restore_ending(session: Session, content: Mapping[str, Any]) -> SealedTrial:
    """Append the end of a trial whose opening was restored, and write its rows.

    The key is in the content, for everybody: nothing is left to seal, and its links lead nowhere.

    Raises
    ------
    Conflict
        Its opening was never restored.

    """
    opening = next(
        (entry for entry in ledger.entries_about(session, content["trial"]) if entry.kind == "trial-opened"), None
    )
    opened = None if opening is None else ledger.content_of(session, opening.position)
    if opening is None or opened is None:
        raise Conflict(f"The sealed trial {content['trial']} ends without having been opened.")
    entry = ledger.append(session, kind="trial-closed", subject=content["trial"], content=content)
    replication_id = UUID(content["replication"])
    before = select(func.count()).where(col(SealedTrial.replication_id) == replication_id)
    due_at = opening.at + OPEN_FOR
    trial = SealedTrial(
        id=UUID(content["trial"]),
        replication_id=replication_id,
        number=session.execute(before).scalar_one() + 1,
        method=opened["method"],
        control=opened["control"],
        treatment=opened["treatment"],
        presentations=opened["presentations"],
        order_draw=content["key"]["order_draw"],
        serving=opened["serving"],
        sealed_key=b"",
        key_commitment=opened["key_commitment"],
        helper_hash=_nobodys(),
        pour_sheet_openings=content["result"]["pour_sheet_openings"],
        opened_at=opening.at,
        opened_position=opening.position,
        due_at=due_at,
        closed_at=due_at if content["ended_by"] == "age" else entry.at,
        closed_position=entry.position,
        ended_by=content["ended_by"],
    )
    session.add(trial)
    session.flush()
    _restore_answers(session, trial, opened, content)
    return trial


def _restore_answers(
    session: Session, trial: SealedTrial, opened: Mapping[str, Any], content: Mapping[str, Any]
) -> None:
    tasters = {
        assessor: SealedTaster(trial_id=trial.id, number=number, assessor=assessor, link_hash=_nobodys())
        for number, assessor in enumerate(opened["tasters"], start=1)
    }
    session.add_all(tasters.values())
    session.flush()
    session.add_all(
        SealedAnswer(
            taster_id=tasters[each["taster"]].id,
            presentation=each["presentation"],
            answer={name: value for name, value in each.items() if name not in _NOT_THE_ANSWER},
            answered_at=datetime.fromisoformat(each["answered_at"]),
        )
        for each in content["answers"]
    )
    session.flush()


def _nobodys() -> str:
    """Make the hash of a secret that nobody is given."""
    return hashlib.sha256(secrets.token_bytes(32)).hexdigest()
