"""What is left of somebody who asks for their content to be erased: the leaves, and numbers without a name."""

from collections import defaultdict
from uuid import UUID

from sqlalchemy import Delete, Update, delete, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import kept_columns, ledger, trials
from service.record.contributors import locked
from service.record.errors import Conflict
from service.record.observations import leave
from service.record.tables import (
    Contributor,
    DeclaredTrial,
    IdempotencyKey,
    LedgerContent,
    LedgerEntry,
    QuestionReport,
    Replication,
    ReplicationRevision,
)
from service.record.trial_tables import SealedTrial

ERASED_NAME = "erased"
# A retraction is the steward's text, and stays; questions and protocols belong to all who followed them.
_OWN_KINDS = (
    "registration",
    "submission",
    "amendment",
    "withdrawal",
    "trial-opened",
    "trial-closed",
    "report",
    "vouch",
)


def erase(session: Session, contributor: Contributor) -> Contributor:
    """Erase a contributor's name, token, documents and words; their observations leave the evidence.

    The ledger keeps its leaves, and every answer as of an earlier position stays what it was: observations are counts
    and measurements, and stay in the record under no name. Questions and protocols that others may have followed stay.

    Raises
    ------
    Conflict
        They were erased already.

    """
    contributor = locked(session, contributor, alone=True)
    if contributor.erased_at is not None:
        raise Conflict("This contributor was erased already.")
    replications = list(
        session.execute(
            select(Replication)
            .where(col(Replication.contributor_id) == contributor.id)
            .order_by(col(Replication.id))
            .with_for_update(key_share=True)
            .execution_options(populate_existing=True)
        ).scalars()
    )
    # Their answers are locked with them before the first append, as whoever answers locks them.
    held = [trial for each in replications for trial in trials.locked_with_replication(session, each.id)]
    positions: dict[UUID | None, int] = {}
    for question_id, erased in _positions(session, contributor, replications, held).items():
        content = {"contributor": str(contributor.id), "positions": erased}
        entry = ledger.append(
            session, kind="erasure", subject=str(contributor.id), content=content, question_id=question_id
        )
        positions[question_id] = entry.position
        contributor.erased_at = entry.at
        _run(session, delete(LedgerContent).where(col(LedgerContent.position).in_(erased)))
    for replication in replications:
        _erase_replication(session, replication, positions[replication.counted_in_id])
    trials.erase(session, held)
    touched = {each for each in positions if each is not None}
    kept_columns.forget(session, touched | {each.question_id for each in replications})
    _run(session, update(QuestionReport).where(col(QuestionReport.contributor_id) == contributor.id).values(text=""))
    _run(session, delete(IdempotencyKey).where(col(IdempotencyKey.contributor_id) == contributor.id))
    contributor.display_name = ERASED_NAME
    contributor.token_hash = None
    session.flush()
    return contributor


def _erase_replication(session: Session, replication: Replication, position: int) -> None:
    leave(session, replication.id, position, "erased")
    replication.state = "erased"
    replication.erased_position = position
    replication.fingerprint = ""
    replication.updated_at = ledger.entry(session, position).at
    _run(session, delete(DeclaredTrial).where(col(DeclaredTrial.replication_id) == replication.id))
    _run(
        session,
        update(ReplicationRevision)
        .where(col(ReplicationRevision.replication_id) == replication.id)
        .values(reason=None),
    )


def _run(session: Session, statement: Delete | Update) -> None:
    session.execute(statement.execution_options(synchronize_session=False))


def _positions(
    session: Session, contributor: Contributor, replications: list[Replication], held: list[SealedTrial]
) -> dict[UUID | None, list[int]]:
    """Return the ledger positions whose content is to go, by the question they touch; never empty."""
    subjects = [str(contributor.id), *(str(each.id) for each in replications)]
    subjects += [str(trial.id) for trial in held]
    subjects += [
        str(report_id)
        for report_id in session.execute(
            select(col(QuestionReport.id)).where(col(QuestionReport.contributor_id) == contributor.id)
        ).scalars()
    ]
    found: dict[UUID | None, list[int]] = defaultdict(list)
    for replication in replications:
        found[replication.counted_in_id] = []
    query = (
        select(col(LedgerEntry.question_id), col(LedgerEntry.position))
        .where(col(LedgerEntry.subject).in_(subjects), col(LedgerEntry.kind).in_(_OWN_KINDS))
        .order_by(col(LedgerEntry.position))
    )
    for question_id, position in session.execute(query):
        found[question_id].append(position)
    return found or {None: []}
