"""Opening a sealed trial: everything is drawn before the first glass, and nobody is shown it but the helper."""

import secrets
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session
from uuid_utils.compat import uuid7

from service.intake.asking import protocol_named, question_document
from service.intake.documents import PREFERENCE, ProtocolDocument, QuestionDocument
from service.intake.refusals import Fault, invalid
from service.intake.sealed_documents import TrialOpening
from service.intake.submission import owned
from service.intake.tasting_load import Alcohol, alcohol_of, serving_of
from service.intake.trial_keys import key_of
from service.record import questions, trials
from service.record.rows import TrialTaster
from service.record.tables import Contributor
from service.record.trial_tables import SealedTrial
from service.science.keyed_stream import SEED_BYTES
from service.science.serving import serving_plan


@dataclass(frozen=True, slots=True)
class Opened:
    """A trial just opened, and what it pours."""

    trial: SealedTrial
    planned: int
    alcohol: Alcohol


def open_trial(
    session: Session,
    contributor: Contributor,
    replication_id: UUID,
    opening: TrialOpening,
    *,
    helper_hash: str,
    taster_hashes: Sequence[str],
) -> Opened:
    """Open a sealed trial in a registered replication of the contributor's own.

    Parameters
    ----------
    session : Session
        A session of `Database.write`.
    contributor : Contributor
        Who opens it.
    replication_id : UUID
        The replication.
    opening : TrialOpening
        What was sent.
    helper_hash, taster_hashes : str, sequence of str
        Hex SHA-256 of the secret in each link; the tasters' in their order.

    Raises
    ------
    Refused
        `invalid` for arms that the question doesn't have, or what its method can't ask; `forbidden` and `not_found` for
        a replication of someone else's.
    service.record.errors.Conflict
        The replication isn't registered any more, or never was.
    service.record.errors.NoSealingKey
        The host has no key to seal it under.

    """
    replication = owned(session, contributor, replication_id)
    question = questions.get(session, replication.question_id)
    asked, protocol = question_document(question), protocol_named(session, question, replication.protocol_version)
    faults = [*_arm_faults(opening, asked), *_asking_faults(opening)]
    if faults:
        raise invalid(faults)
    trial_id, seed = uuid7(), secrets.token_bytes(SEED_BYTES)
    arms = (opening.control, opening.treatment)
    plan = serving_plan(opening.method, opening.presentations, arms, seed, tasters=len(opening.tasters))
    serving = {**serving_of(opening, protocol.trial, asked.stage), **_asked(opening, protocol), **_conditions(opening)}
    trial = trials.open_trial(
        session,
        replication=replication,
        opening=trials.Opening(
            id=trial_id,
            method=opening.method,
            control=opening.control,
            treatment=opening.treatment,
            presentations=opening.presentations,
            order_draw=plan.order_draw,
            serving=serving,
            key=key_of(trial_id, seed, plan, opening.tasters),
            helper_hash=helper_hash,
            tasters=[
                TrialTaster(id=uuid7(), assessor=assessor, hash=hashed)
                for assessor, hashed in zip(opening.tasters, taster_hashes, strict=True)
            ],
        ),
    )
    planned = opening.presentations * len(opening.tasters)
    return Opened(trial, planned, alcohol_of(opening.method, opening.presentations, serving))


def _arm_faults(opening: TrialOpening, question: QuestionDocument) -> Iterator[Fault]:
    known = [arm.key for arm in question.arms]
    for side, arm in (("control", opening.control), ("treatment", opening.treatment)):
        if arm not in known:
            yield Fault(f"/{side}", f"the question has no such arm; it has {', '.join(known)}")
    if not opening.is_sham and opening.treatment == question.control.key:
        yield Fault("/treatment", "this is the question's control; write it under control")


def _asking_faults(opening: TrialOpening) -> Iterator[Fault]:
    if _can_ask_beside(opening):
        return
    if opening.is_sham:
        detail = "both vessels are of one arm, so that there is nothing to prefer or tell apart by words; leave it out"
    else:
        detail = "a 3-AFC always serves two glasses of the control, which would win by number; use another method"
    for name in ("preference", "descriptors"):
        if getattr(opening, name):
            yield Fault(f"/{name}", detail)


def _can_ask_beside(opening: TrialOpening) -> bool:
    """Whether the question which glass is best, or fits a word, treats both batches alike."""
    return not opening.is_sham and opening.method != "three_afc"


def _asked(opening: TrialOpening, protocol: ProtocolDocument) -> dict[str, Any]:
    if not _can_ask_beside(opening):
        return {"preference": False, "descriptors": []}
    preference, words = opening.preference, opening.descriptors
    return {
        "preference": protocol.goal(PREFERENCE) is not None if preference is None else preference,
        "descriptors": list(protocol.descriptors) if words is None else words,
    }


def _conditions(opening: TrialOpening) -> dict[str, Any]:
    given = {"serving_c": opening.serving_c, "appearance_masked": opening.appearance_masked}
    return {name: value for name, value in given.items() if value is not None}
