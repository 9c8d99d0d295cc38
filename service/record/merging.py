"""Two questions that turn out to be one."""

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import kept_columns, ledger, observations, questions
from service.record.errors import Conflict
from service.record.tables import Contributor, Question, Replication


def merge(session: Session, *, question: Question, into: Question, steward: Contributor, reason: str) -> Question:
    """Let a question's replications stand in the answer of another; return the question that was merged.

    Its slug, protocols and earlier answers stay. The other question's answer has its observations from one ledger
    entry on, and its own answer loses them at the next.

    Raises
    ------
    Conflict
        They are the same, one is merged already, or their arms have different keys.

    """
    # Always in the same order, so that two merges can't wait for each other.
    locked = {each: questions.lock(session, each) for each in sorted({question.id, into.id})}
    question, into = locked[question.id], locked[into.id]
    _refuse_unless_alike(question, into)
    moving = (
        select(Replication)
        .where(col(Replication.counted_in_id) == question.id)
        .order_by(col(Replication.id))
        .execution_options(populate_existing=True)
    )
    session.execute(moving.with_for_update(key_share=True)).all()
    content = {"question": str(question.id), "into": str(into.id), "steward": str(steward.id), "reason": reason}
    entered, left = (
        ledger.append(session, kind="merge", subject=str(question.id), content=content, question_id=touched)
        for touched in (into.id, question.id)
    )
    observations.move(session, question.id, into.id, entered=entered.position, left=left.position)
    # Read again: until the ledger's head was ours, more could be started.
    for replication in session.execute(moving).scalars():
        replication.counted_in_id = into.id
    kept_columns.forget(session, (question.id, into.id))
    question.status = "merged"
    question.merged_into_id = into.id
    question.merged_position = entered.position
    session.flush()
    return question


def _refuse_unless_alike(question: Question, into: Question) -> None:
    if question.id == into.id:
        raise Conflict("A question can't be merged into itself.")
    for each in (question, into):
        if each.status == "merged":
            raise Conflict(f"The question {each.slug} is merged already: name the one it was merged into.")
    if _arms(question) != _arms(into):
        raise Conflict("The arms of the two questions have different keys, so that their results can't stand together.")


def _arms(question: Question) -> set[tuple[str, bool]]:
    return {(arm["key"], bool(arm.get("is_control"))) for arm in question.arms}
