"""What can be done with a replication: each act is one write transaction of the caller's, who commits.

A replication is checked once, reduced once, and written once. The plan is frozen by its first revision; its state is
changed by acts, never by a revision.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy.orm import Session

from service.intake.asking import Asked, asked, asked_by_name
from service.intake.confounds import find
from service.intake.copies import BEGINNING, likeness, print_of
from service.intake.documents import Plan, ReplicationDocument, Revision, Withdrawal
from service.intake.observations import Reduced, reduce
from service.intake.protocol_check import Checked, check
from service.intake.refusals import Fault, Refused, conflict, invalid, plan_fixed
from service.intake.report import report
from service.intake.report_models import FermentReport, Report
from service.intake.sealed_shown import SealedTrialShown
from service.intake.strict import plain
from service.intake.trial_ending import end_all, end_if_due
from service.intake.trial_results import ended_trials, sealed_trials_shown
from service.record import questions, replication_reads, replications, trials
from service.record.canonical import ordered
from service.record.contributors import Known
from service.record.tables import Contributor, Question, Replication


@dataclass(frozen=True, slots=True)
class Kept:
    """A replication as it stands after an act: the row, the document as shown, and what it shows by itself."""

    replication: Replication
    document: dict[str, Any]
    report: Report
    sealed_trials: list[SealedTrialShown] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A document with everything computed from it that a write needs."""

    checked: Checked
    document: dict[str, Any]
    in_order: Mapping[str, Any]
    """The same, as it is quickly written."""
    fingerprint: str
    reduced: Reduced
    report: Report


def check_only(session: Session, document: ReplicationDocument) -> Report:
    """Check a document and report on it; nothing is kept, so a read transaction will do.

    Raises
    ------
    Refused
        `invalid` where its question, protocol version or arms don't exist.

    """
    following = asked_by_name(session, document.question, document.protocol_version)
    return _weigh(session, following, document, registered_at=None).report


def post_replication(
    session: Session,
    contributor: Known,
    document: ReplicationDocument,
    followed: Sequence[FermentReport] | None = None,
) -> Kept:
    """Register a plan, or submit a replication whole.

    `followed` is what `ferments` of its batches gives: found before the transaction, it keeps nobody else waiting.

    Raises
    ------
    Refused
        As `check_only`.
    service.record.errors.Conflict
        The question isn't open.

    """
    following = asked_by_name(session, document.question, document.protocol_version)
    weighed = _weigh(session, following, document, registered_at=None, followed=followed)
    replication = replications.start(
        session,
        question=following,
        contributor=contributor,
        protocol_version=document.protocol_version,
        plan=weighed.checked.plan.model_dump(),
        state=document.state,
        document=weighed.in_order,
        fingerprint=weighed.fingerprint,
        trials=weighed.reduced.trials,
        observations=weighed.reduced.observations,
    )
    # No sealed trial can have been opened for what has only now been started.
    return Kept(replication, shown(replication, weighed.document), weighed.report)


def put_replication(
    session: Session,
    contributor: Contributor,
    replication_id: UUID,
    revision: Revision,
    expected_revision: int,
    followed: Sequence[FermentReport] | None = None,
) -> Kept:
    """Write a new revision of a registration, or an amendment of what was submitted; the state stays as it is.

    `followed` is as in `post_replication`.

    Raises
    ------
    Refused
        As `check_only`; `invalid` for an amendment without a reason; `conflict` where the plan, question or protocol
        version would change; `forbidden` and `not_found` for a replication of someone else's.
    service.record.errors.StaleRevision, service.record.errors.Conflict
        It was revised meanwhile, or is out.

    """
    replication = owned(session, contributor, replication_id)
    question = questions.get(session, replication.question_id)
    submitted = replication.submitted_position is not None
    if submitted and revision.reason is None:
        raise invalid([Fault("/reason", "say what is amended and why; it is shown with the amendment")])
    document = _in_state(revision.document(), "submitted" if submitted else "registered")
    _refuse_another_plan(replication, question, document)
    following = asked(session, question, document.protocol_version)
    weighed = _weigh(
        session, following, document, registered_at=replication.registered_at, of=replication, followed=followed
    )
    written = replications.revise(
        session,
        replication=replication,
        expected_revision=expected_revision,
        document=weighed.in_order,
        fingerprint=weighed.fingerprint,
        trials=weighed.reduced.trials,
        observations=weighed.reduced.observations,
        reason=revision.reason,
    )
    return _kept(session, written, weighed)


def submit_registered(
    session: Session, contributor: Contributor, replication_id: UUID, expected_revision: int | None = None
) -> Kept:
    """Submit a registered replication as its newest revision stands.

    All of its sealed trials go in with it.

    Raises
    ------
    Refused
        `forbidden` and `not_found` for a replication of someone else's; `trial_open` while one of its sealed trials is;
        `conflict` once its document was erased.
    service.record.errors.StaleRevision, service.record.errors.Conflict
        It was revised meanwhile, or isn't registered any more.

    """
    replication = owned(session, contributor, replication_id)
    _refuse_open_trials(session, replication)
    question = questions.get(session, replication.question_id)
    document = _in_state(_stored(session, replication), "submitted")
    following = asked(session, question, document.protocol_version)
    weighed = _weigh(session, following, document, registered_at=replication.registered_at, of=replication)
    written = replications.submit(
        session,
        replication=replication,
        expected_revision=replication.revision if expected_revision is None else expected_revision,
        document=weighed.in_order,
        fingerprint=weighed.fingerprint,
        trials=weighed.reduced.trials,
        observations=weighed.reduced.observations,
    )
    return _kept(session, written, weighed)


def withdraw(session: Session, contributor: Contributor, replication_id: UUID, withdrawal: Withdrawal) -> Kept:
    """Withdraw before any answer; after one, ask for it: the replication stays in the answer until a steward decides.

    An answer is one typed in the document, or one given to a sealed trial of it.

    Raises
    ------
    Refused
        `forbidden` and `not_found` for a replication of someone else's.
    service.record.errors.Conflict
        It is out, or was asked for, already.

    """
    replication = owned(session, contributor, replication_id)
    document = _stored(session, replication)
    # Locked before they are looked at: an answer that is on its way comes in before this, or finds the trial closed.
    trials.locked_with_replication(session, replication.id)
    typed = any(trial.assessors or trial.preferred or trial.descriptors for trial in document.trials)
    answered = typed or trials.any_answer(session, replication.id)
    if not answered:
        end_all(session, replication.id, "owner")
    written = replications.withdraw(
        session,
        replication=replication,
        category=withdrawal.category,
        reason=withdrawal.reason,
        answered=answered,
    )
    return _as_it_stands(session, written, document)


def retract(session: Session, steward: Contributor, replication_id: UUID, withdrawal: Withdrawal) -> Replication:
    """Take a replication out of the answer, for a reason that doesn't depend on its result.

    Raises
    ------
    Refused
        `forbidden` unless a steward does it.
    service.record.errors.NotFound, service.record.errors.Conflict
        There is none, or it is out already.

    """
    if not steward.is_steward:
        raise Refused("only a steward retracts", kind="forbidden")
    replication = replication_reads.get(session, replication_id)
    end_all(session, replication.id, "steward")
    return replications.retract(
        session, replication=replication, steward=steward, category=withdrawal.category, reason=withdrawal.reason
    )


def read_back(session: Session, replication: Replication) -> Kept:
    """Return a replication as its newest revision stands; refuse with `conflict` where that was erased."""
    return _as_it_stands(session, replication, _stored(session, replication))


def report_of(session: Session, replication: Replication) -> Report:
    """Report on a replication as its newest revision stands; refuse with `conflict` where that was erased."""
    return _report_on(session, replication, _stored(session, replication))


def shown(replication: Replication, document: dict[str, Any]) -> dict[str, Any]:
    """Return a stored document as it is shown: with the plan as understood, and the state it is in now."""
    return {**document, "plan": dict(replication.plan), "state": replication.state}


def owned(session: Session, contributor: Contributor, replication_id: UUID) -> Replication:
    """Return a replication of the contributor's own.

    Raises
    ------
    Refused
        `not_found` for one that they may not know of, `forbidden` for one that they may only read.
    service.record.errors.NotFound
        There is none.

    """
    replication = replication_reads.get(session, replication_id)
    if replication.contributor_id != contributor.id:
        if replication_reads.is_public(replication):
            raise Refused("only its owner may do this", kind="forbidden")
        raise Refused("There is no such replication.", kind="not_found")
    return replication


def _weigh(
    session: Session,
    following: Asked,
    document: ReplicationDocument,
    *,
    registered_at: datetime | None,
    of: Replication | None = None,
    followed: Sequence[FermentReport] | None = None,
) -> _Weighed:
    sealed = ended_trials(session, of.id) if of else []
    # Once ended, a sealed trial is checked and reduced as a typed one is; what is stored is what was typed.
    whole = document.model_copy(update={"trials": [*document.trials, *sealed]}) if sealed else document
    checked = check(whole, following.question, following.protocol)
    stored = plain(document)
    in_order = ordered(stored)
    print_ = print_of(stored, in_order)
    has_results = bool(document.batches or document.trials)
    counted_in, own = (of.counted_in_id, of.id) if of else (following.id, None)
    beginnings = [print_[:BEGINNING]] if has_results else []
    like = likeness(print_, replication_reads.fingerprints_like(session, counted_in, beginnings, other_than=own))
    flags = find(checked, registered_at=registered_at, like=like)
    reduced = reduce(checked, flags, registered_at=registered_at)
    return _Weighed(checked, stored, in_order, print_, reduced, report(checked, reduced.observations, flags, followed))


def _refuse_another_plan(replication: Replication, question: Question, document: ReplicationDocument) -> None:
    if document.question != question.slug or document.protocol_version != replication.protocol_version:
        raise plan_fixed("The question and protocol version were fixed when it was started: start another replication.")
    frozen = Plan.model_validate(replication.plan)
    given = document.plan.model_dump(exclude_none=True)
    changed = [name for name, value in given.items() if getattr(frozen, name) != value]
    if changed:
        raise plan_fixed(f"The plan was fixed when it was started: leave {', '.join(changed)} as it was.")


def _in_state(document: ReplicationDocument, state: str) -> ReplicationDocument:
    return ReplicationDocument.model_validate({**plain(document), "state": state})


def _stored(session: Session, replication: Replication) -> ReplicationDocument:
    stored = replication_reads.document(session, replication)
    if stored is None:
        raise conflict("The document of this replication was erased.")
    return ReplicationDocument.model_validate(stored)


def _report_on(session: Session, replication: Replication, document: ReplicationDocument) -> Report:
    question = questions.get(session, replication.question_id)
    following = asked(session, question, document.protocol_version)
    return _weigh(session, following, document, registered_at=replication.registered_at, of=replication).report


def _refuse_open_trials(session: Session, replication: Replication) -> None:
    for trial in trials.locked_with_replication(session, replication.id):
        if end_if_due(session, trial.id).closed_position is None:
            detail = f"Sealed trial {trial.number} ({trial.id}) is open: let its tasters finish, or close it."
            raise Refused(detail, kind="trial_open")


def _kept(session: Session, replication: Replication, weighed: _Weighed) -> Kept:
    return Kept(
        replication,
        shown(replication, weighed.document),
        weighed.report,
        sealed_trials_shown(session, replication.id),
    )


def _as_it_stands(session: Session, replication: Replication, document: ReplicationDocument) -> Kept:
    return Kept(
        replication,
        shown(replication, plain(document)),
        _report_on(session, replication, document),
        sealed_trials_shown(session, replication.id),
    )
