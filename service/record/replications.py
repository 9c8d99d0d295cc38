"""Replications: documents with revisions, from their start to whatever ends them."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Literal
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session, make_transient_to_detached
from sqlmodel import col
from uuid_utils.compat import uuid7

from service.record import contributors, ledger, questions
from service.record.clock import now
from service.record.contributors import Known
from service.record.errors import Conflict, NotFound, StaleRevision
from service.record.many_rows import ManyRows
from service.record.observations import enter, json_text, leave
from service.record.rows import Entry, Kind, ObservationRow, TrialRow
from service.record.tables import Contributor, DeclaredTrial, Replication, ReplicationRevision
from service.record.unanswered import unanswered

if TYPE_CHECKING:
    from service.record.bulk import NewStart

REPLICATIONS = ManyRows(
    Replication,
    (
        *("id", "question_id", "counted_in_id", "protocol_version", "contributor_id", "household_id"),
        *("state", "revision", "plan", "started_position", "registered_at", "registered_position"),
        *("submitted_position", "fingerprint", "created_at", "updated_at"),
    ),
)
REVISIONS = ManyRows(
    ReplicationRevision, ("id", "replication_id", "revision", "state", "reason", "position", "created_at")
)
_TRIAL = tuple(each.name for each in fields(TrialRow))
TRIALS = ManyRows(DeclaredTrial, ("id", "replication_id", "revision", "ordinal", *_TRIAL))
_trial_values: Callable[[TrialRow], tuple[Any, ...]] = attrgetter(*_TRIAL)


def start(
    session: Session,
    *,
    question: questions.Named,
    contributor: Known,
    protocol_version: int,
    plan: Mapping[str, Any],
    state: Literal["registered", "submitted"],
    document: Mapping[str, Any],
    fingerprint: str,
    trials: Sequence[TrialRow] = (),
    observations: Sequence[ObservationRow] = (),
) -> Replication:
    """Register a replication, or submit one whole.

    Parameters
    ----------
    session : Session
        A session of `Database.write`.
    question : Question
        The question whose protocol it follows.
    contributor : Contributor, or whoever has one's identifier
        Whose it is; it counts for the household they are in now.
    protocol_version : int
        A version that the question has.
    plan : mapping
        What was decided before tasting; it never changes.
    state : str
        "registered" stamps the plan and has no observations yet; "submitted" has all of them.
    document : mapping
        The document as it is to be shown.
    fingerprint : str
        What copies are found by (`canonical.fingerprint` of the part that tells two apart).
    trials, observations : sequence
        What intake reduced the document to.

    Raises
    ------
    Conflict
        The question isn't open, or the contributor was erased.

    """
    household_id = contributors.refuse_erased(session, contributor.id)
    moment = now(session)
    replication = Replication(
        id=uuid7(),
        question_id=question.id,
        counted_in_id=question.id,
        protocol_version=protocol_version,
        contributor_id=contributor.id,
        household_id=household_id,
        state=state,
        revision=1,
        plan=dict(plan),
        fingerprint=fingerprint,
        created_at=moment,
        updated_at=moment,
    )
    entry = _append_revision(
        session, "registration" if state == "registered" else "submission", replication, document, reason=None
    )
    replication.started_position = entry.position
    questions.refuse_unless_open(session, question)
    # The ledger's time, which never steps back, is the one that counts.
    replication.created_at = replication.updated_at = entry.at
    if state == "registered":
        replication.registered_at = entry.at
        replication.registered_position = entry.position
    else:
        replication.submitted_position = entry.position
    connection = session.connection()
    with unanswered(connection):
        REPLICATIONS.insert(connection, [start_row(replication, entry)])
        _write_revision(session, replication, entry, reason=None, trials=trials, observations=observations)
    # From here on the session knows it as one that it has read.
    make_transient_to_detached(replication)
    session.add(replication)
    return replication


def revise(
    session: Session,
    *,
    replication: Replication,
    expected_revision: int,
    document: Mapping[str, Any],
    fingerprint: str,
    trials: Sequence[TrialRow] = (),
    observations: Sequence[ObservationRow] = (),
    reason: str | None = None,
) -> Replication:
    """Write a new revision: of a registration, or an amendment of what was submitted.

    The observations of the revision before leave the evidence at the same position at which the new ones enter.

    Raises
    ------
    StaleRevision
        `expected_revision` isn't the newest.
    Conflict
        It was withdrawn, retracted or erased.

    """
    replication = _locked(session, replication, expected_revision)
    _refuse_unless_in(replication, "registered", "submitted")
    replication.revision += 1
    replication.fingerprint = fingerprint
    entry = _append_revision(session, "amendment", replication, document, reason)
    replication.updated_at = entry.at
    leave(session, replication.id, entry.position, "amended")
    session.flush()
    _write_revision(session, replication, entry, reason=reason, trials=trials, observations=observations)
    return replication


def submit(
    session: Session,
    *,
    replication: Replication,
    expected_revision: int | None = None,
    document: Mapping[str, Any],
    fingerprint: str,
    trials: Sequence[TrialRow],
    observations: Sequence[ObservationRow],
) -> Replication:
    """Submit a registered replication, as a new revision.

    Raises
    ------
    StaleRevision
        `expected_revision` was given and isn't the newest.
    Conflict
        It isn't registered any more.

    """
    replication = _locked(session, replication, expected_revision)
    _refuse_unless_in(replication, "registered")
    replication.state = "submitted"
    replication.revision += 1
    replication.fingerprint = fingerprint
    entry = _append_revision(session, "submission", replication, document, reason=None)
    replication.submitted_position = entry.position
    replication.updated_at = entry.at
    session.flush()
    _write_revision(session, replication, entry, reason=None, trials=trials, observations=observations)
    return replication


def withdraw(
    session: Session, *, replication: Replication, category: str, reason: str, answered: bool = False
) -> Replication:
    """Withdraw a registered replication, or ask for it where results may be known.

    Parameters
    ----------
    session : Session
        A session of `Database.write`.
    replication : Replication
        The one to withdraw.
    category, reason : str
        Why.
    answered : bool
        Whether anybody has answered a trial of it: from then on, as after submission, withdrawing is only asked for.

    Raises
    ------
    Conflict
        It is out already, or was asked for already.

    """
    replication = _locked(session, replication)
    _refuse_unless_in(replication, "registered", "submitted")
    ask = answered or replication.state == "submitted"
    if ask and replication.withdrawal_asked_position is not None:
        raise Conflict("Its withdrawal was asked for already: a steward decides.")
    content = {
        "replication": str(replication.id),
        "category": category,
        "reason": reason,
        "effect": "asked" if ask else "withdrawn",
    }
    entry = ledger.append(
        session,
        kind="withdrawal",
        subject=str(replication.id),
        content=content,
        question_id=replication.counted_in_id,
    )
    replication.updated_at = entry.at
    if ask:
        replication.withdrawal_asked_position = entry.position
    else:
        replication.state = "withdrawn"
        replication.withdrawn_position = entry.position
    session.flush()
    return replication


def retract(
    session: Session, *, replication: Replication, steward: Contributor, category: str, reason: str
) -> Replication:
    """Take a replication out of the answer, by a steward's decision; later answers are shown with it and without.

    Raises
    ------
    Conflict
        It is out already.

    """
    replication = _locked(session, replication)
    _refuse_unless_in(replication, "registered", "submitted")
    content = {
        "replication": str(replication.id),
        "steward": str(steward.id),
        "category": category,
        "reason": reason,
    }
    entry = ledger.append(
        session,
        kind="retraction",
        subject=str(replication.id),
        content=content,
        question_id=replication.counted_in_id,
    )
    replication.state = "retracted"
    replication.retracted_position = entry.position
    replication.updated_at = entry.at
    session.flush()
    leave(session, replication.id, entry.position, "retracted")
    return replication


def _locked(session: Session, replication: Replication, expected_revision: int | None = None) -> Replication:
    """Read a replication again, and keep others from changing it until the transaction ends."""
    query = (
        select(Replication)
        .where(col(Replication.id) == replication.id)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    found = session.execute(query).scalar_one_or_none()
    if found is None:
        raise NotFound("There is no such replication.")
    if expected_revision is not None and expected_revision != found.revision:
        raise StaleRevision(expected_revision, found.revision)
    return found


def _refuse_unless_in(replication: Replication, *states: str) -> None:
    if replication.state not in states:
        raise Conflict(f"This replication is {replication.state}.")


def revision_content(
    *,
    replication_id: UUID,
    question_id: UUID,
    protocol_version: int,
    contributor_id: UUID,
    household_id: UUID,
    plan: Mapping[str, Any],
    state: str,
    revision: int,
    reason: str | None,
    document: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what the ledger keeps of a revision."""
    return {
        "replication": str(replication_id),
        "question": str(question_id),
        "protocol_version": protocol_version,
        "contributor": str(contributor_id),
        "household": str(household_id),
        "plan": plan,
        "state": state,
        "revision": revision,
        "reason": reason,
        "document": document if isinstance(document, dict) else dict(document),
    }


def _append_revision(
    session: Session, kind: Kind, replication: Replication, document: Mapping[str, Any], reason: str | None
) -> Entry:
    content = revision_content(
        replication_id=replication.id,
        question_id=replication.question_id,
        protocol_version=replication.protocol_version,
        contributor_id=replication.contributor_id,
        household_id=replication.household_id,
        plan=replication.plan,
        state=replication.state,
        revision=replication.revision,
        reason=reason,
        document=document,
    )
    return ledger.append(
        session, kind=kind, subject=str(replication.id), content=content, question_id=replication.counted_in_id
    )


def _write_revision(
    session: Session,
    replication: Replication,
    entry: Entry,
    *,
    reason: str | None,
    trials: Iterable[TrialRow],
    observations: Sequence[ObservationRow],
) -> None:
    if observations and replication.state == "registered":
        raise ValueError("a registered replication has no observations before it is submitted")
    connection = session.connection()
    name, revision = replication.id, replication.revision
    REVISIONS.insert(connection, [(uuid7(), name, revision, replication.state, reason, entry.position, entry.at)])
    TRIALS.insert(connection, list(trial_rows(name, revision, trial_values(trials))))
    enter(session, replication, observations, entry.position)


def start_row(started: "Replication | NewStart", entry: Entry) -> tuple[Any, ...]:
    """Return the row of `REPLICATIONS` of what starts by an entry."""
    registered = started.state == "registered"
    return (
        *(started.id, started.question_id, started.question_id, started.protocol_version),
        *(started.contributor_id, started.household_id, started.state, 1, json_text(started.plan), entry.position),
        *((entry.at, entry.position, None) if registered else (None, None, entry.position)),
        *(started.fingerprint, entry.at, entry.at),
    )


def trial_values(rows: Iterable[TrialRow]) -> list[tuple[Any, ...]]:
    """Return what declared trials bring themselves, as it is written."""
    return [_trial_values(row) for row in rows]


def trial_rows(replication_id: UUID, revision: int, values: Iterable[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
    """Turn `trial_values` into rows of `TRIALS`."""
    for ordinal, own in enumerate(values, start=1):
        yield (uuid7(), replication_id, revision, ordinal, *own)
