"""Sealed trials as they are opened, answered and ended; what is right or wrong is for others to say."""

import json
import secrets
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger
from service.record.canonical import canonical_bytes
from service.record.clock import now
from service.record.errors import Conflict, NotFound
from service.record.rows import EndedBy, TrialAnswer, TrialTaster
from service.record.sealing import SALT_BYTES, commitment, sealer_of
from service.record.tables import LedgerContent, Replication
from service.record.trial_tables import SealedAnswer, SealedTaster, SealedTrial

OPEN_FOR = timedelta(days=30)
_MOST_OF_ONE_REPLICATION = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """Everything that is fixed when a trial is opened.

    `key` says who gets which glass and is stored encrypted; of the links only hashes come in.
    """

    id: UUID
    method: str
    control: str
    treatment: str
    presentations: int
    order_draw: str
    serving: Mapping[str, Any]
    key: Mapping[str, Any]
    helper_hash: str
    tasters: Sequence[TrialTaster]


def open_trial(session: Session, *, replication: Replication, opening: Opening) -> SealedTrial:
    """Keep a trial's key under seal and commit to it in the ledger.

    Raises
    ------
    Conflict
        The replication isn't registered, or has as many trials as one may have.
    NoSealingKey
        There is nothing to seal the key under.

    """
    before = locked_with_replication(session, replication.id)
    replication = session.get_one(Replication, replication.id)
    if replication.state != "registered":
        raise Conflict(f"Sealed trials are opened before submission; this replication is {replication.state}.")
    if len(before) >= _MOST_OF_ONE_REPLICATION:
        raise Conflict(f"A replication has at most {_MOST_OF_ONE_REPLICATION} sealed trials.")
    salt = secrets.token_bytes(SALT_BYTES)
    content = canonical_bytes({"salt": salt.hex(), "key": dict(opening.key)})
    sealed_key = sealer_of(session).seal(content, str(opening.id))
    key_commitment = commitment(salt, opening.key)
    entry = ledger.append(
        session,
        kind="trial-opened",
        subject=str(opening.id),
        content={
            "trial": str(opening.id),
            "replication": str(replication.id),
            "method": opening.method,
            "control": opening.control,
            "treatment": opening.treatment,
            "presentations": opening.presentations,
            "tasters": [taster.assessor for taster in opening.tasters],
            "serving": dict(opening.serving),
            "key_commitment": key_commitment,
        },
    )
    trial = SealedTrial(
        id=opening.id,
        replication_id=replication.id,
        number=len(before) + 1,
        method=opening.method,
        control=opening.control,
        treatment=opening.treatment,
        presentations=opening.presentations,
        order_draw=opening.order_draw,
        serving=dict(opening.serving),
        sealed_key=sealed_key,
        key_commitment=key_commitment,
        helper_hash=opening.helper_hash,
        opened_at=entry.at,
        opened_position=entry.position,
        due_at=entry.at + OPEN_FOR,
    )
    session.add(trial)
    session.flush()
    session.add_all(
        SealedTaster(id=taster.id, trial_id=trial.id, number=number, assessor=taster.assessor, link_hash=taster.hash)
        for number, taster in enumerate(opening.tasters, start=1)
    )
    session.flush()
    return trial


def get(session: Session, trial_id: UUID) -> SealedTrial:
    """Return a trial; raise NotFound for none."""
    return _found(session.get(SealedTrial, trial_id))


def locked(session: Session, trial_id: UUID) -> SealedTrial:
    """Read a trial again, and keep others from answering or ending it until the transaction ends."""
    query = select(SealedTrial).where(col(SealedTrial.id) == trial_id).with_for_update(key_share=True)
    return _found(session.execute(query.execution_options(populate_existing=True)).scalar_one_or_none())


def locked_with_replication(session: Session, replication_id: UUID) -> list[SealedTrial]:
    """Read a replication and its trials again, and keep others from changing any of them; always in this order."""
    rereading = {"populate_existing": True}
    whole = select(Replication).where(col(Replication.id) == replication_id).with_for_update(key_share=True)
    if session.execute(whole.execution_options(**rereading)).scalar_one_or_none() is None:
        raise NotFound("There is no such replication.")
    query = _of_replication(replication_id).with_for_update(key_share=True).execution_options(**rereading)
    return list(session.execute(query).scalars())


def of_replication(session: Session, replication_id: UUID) -> list[SealedTrial]:
    """Return a replication's trials in the order in which they were opened."""
    return list(session.execute(_of_replication(replication_id)).scalars())


def by_helper_hash(session: Session, helper_hash: str) -> SealedTrial:
    """Return the trial that a helper's link is to; raise NotFound for none."""
    return _found(
        session.execute(select(SealedTrial).where(col(SealedTrial.helper_hash) == helper_hash)).scalar_one_or_none()
    )


def by_taster_hash(session: Session, link_hash: str) -> tuple[SealedTrial, TrialTaster]:
    """Return the trial that a taster's link is to, and the taster; raise NotFound for none."""
    query = select(SealedTaster).where(col(SealedTaster.link_hash) == link_hash)
    taster = session.execute(query).scalar_one_or_none()
    if taster is None:
        raise _no_such_trial()
    return get(session, taster.trial_id), _plain(taster)


def tasters(session: Session, trial: SealedTrial) -> list[TrialTaster]:
    """Return who tastes, in the order in which they were named."""
    query = select(SealedTaster).where(col(SealedTaster.trial_id) == trial.id).order_by(col(SealedTaster.number))
    return [_plain(taster) for taster in session.execute(query).scalars()]


def answers(session: Session, trial: SealedTrial) -> dict[UUID, list[TrialAnswer]]:
    """Return every taster's answers, each in order; a taster without any isn't there."""
    query = (
        select(SealedAnswer)
        .join(SealedTaster, col(SealedTaster.id) == col(SealedAnswer.taster_id))
        .where(col(SealedTaster.trial_id) == trial.id)
        .order_by(col(SealedTaster.number), col(SealedAnswer.presentation))
    )
    found: dict[UUID, list[TrialAnswer]] = defaultdict(list)
    for row in session.execute(query).scalars():
        found[row.taster_id].append(TrialAnswer(row.presentation, row.answer, row.answered_at))
    return dict(found)


def any_answer(session: Session, replication_id: UUID) -> bool:
    """Say whether anybody has answered in any trial of a replication."""
    query = (
        select(col(SealedAnswer.id))
        .join(SealedTaster, col(SealedTaster.id) == col(SealedAnswer.taster_id))
        .join(SealedTrial, col(SealedTrial.id) == col(SealedTaster.trial_id))
        .where(col(SealedTrial.replication_id) == replication_id)
        .limit(1)
    )
    return session.execute(query).first() is not None


def is_due(session: Session, trial: SealedTrial) -> bool:
    """Say whether a trial has been open for as long as one may be."""
    return trial.closed_position is None and now(session) >= trial.due_at


def keep_answer(
    session: Session, *, trial: SealedTrial, taster: TrialTaster, presentation: int, answer: Mapping[str, Any]
) -> TrialAnswer:
    """Write an answer down, for good. Have the trial locked."""
    # A clock that stepped back must not put an answer before the trial it was given in.
    kept = TrialAnswer(presentation, dict(answer), max(now(session), trial.opened_at))
    session.execute(
        insert(SealedAnswer).values(
            taster_id=taster.id, presentation=presentation, answer=kept.answer, answered_at=kept.answered_at
        )
    )
    return kept


def count_opening(session: Session, trial: SealedTrial) -> None:
    """Write down that the pour sheet of an open trial was opened. Have the trial locked."""
    trial.pour_sheet_openings += 1
    trial.pour_sheet_opened_at = trial.pour_sheet_opened_at or max(now(session), trial.opened_at)
    session.flush()


def unsealed(session: Session, trial: SealedTrial) -> tuple[str, dict[str, Any]]:
    """Return the salt (hex) and key of a trial, for those who may see them."""
    opened = json.loads(sealer_of(session).open(trial.sealed_key, str(trial.id)))
    return opened["salt"], opened["key"]


def close(session: Session, *, trial: SealedTrial, ended_by: EndedBy, content: Mapping[str, Any]) -> SealedTrial:
    """End a trial: from here on its key is in the ledger's content, for everybody. Have the trial locked.

    One that ends by age ended when it was due, whenever that was noticed; the ledger's time says when it was.
    """
    if trial.closed_position is not None:
        raise Conflict("This trial has ended already.")
    entry = ledger.append(session, kind="trial-closed", subject=str(trial.id), content=content)
    trial.closed_position = entry.position
    trial.closed_at = trial.due_at if ended_by == "age" else entry.at
    trial.ended_by = ended_by
    session.flush()
    return trial


def opening(session: Session, trial: SealedTrial) -> tuple[str, dict[str, Any]]:
    """Return what the ledger holds on the opening of a trial, with the salt that it is hashed under."""
    kept = session.get_one(LedgerContent, trial.opened_position)
    return kept.salt, json.loads(kept.content)


def closing(session: Session, trials: Sequence[SealedTrial]) -> dict[UUID, dict[str, Any]]:
    """Return what the ledger holds on the end of each trial that has ended, by trial; not where it was erased."""
    at = {trial.closed_position: trial.id for trial in trials if trial.closed_position is not None}
    return {at[position]: content for position, content in ledger.contents_of(session, at).items()}


def erase(session: Session, erased: Sequence[SealedTrial]) -> None:
    """Drop trials with everything that was answered in them; their ledger entries stay. Have them locked."""
    ids = [trial.id for trial in erased]
    who = select(col(SealedTaster.id)).where(col(SealedTaster.trial_id).in_(ids))
    for statement in (
        delete(SealedAnswer).where(col(SealedAnswer.taster_id).in_(who)),
        delete(SealedTaster).where(col(SealedTaster.trial_id).in_(ids)),
        delete(SealedTrial).where(col(SealedTrial.id).in_(ids)),
    ):
        session.execute(statement.execution_options(synchronize_session=False))


def was_erased(session: Session, trial_id: UUID) -> bool:
    """Say whether there once was a trial of this id."""
    return bool(ledger.entries_about(session, str(trial_id)))


def _of_replication(replication_id: UUID) -> Any:  # noqa: ANN401  # a select, whose type says less than its name
    return (
        select(SealedTrial).where(col(SealedTrial.replication_id) == replication_id).order_by(col(SealedTrial.number))
    )


def _found(trial: SealedTrial | None) -> SealedTrial:
    if trial is None:
        raise _no_such_trial()
    return trial


def _no_such_trial() -> NotFound:
    return NotFound("There is no such trial.")


def _plain(taster: SealedTaster) -> TrialTaster:
    return TrialTaster(id=taster.id, assessor=taster.assessor, hash=taster.link_hash)
