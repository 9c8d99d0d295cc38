"""What stewards decide, and nobody else: each one write transaction of the caller's."""

from uuid import UUID

from sqlalchemy.orm import Session

from service.intake.asking import question_named
from service.intake.documents import Merge
from service.intake.refusals import Fault, Refused, invalid
from service.record import contributors, merging, questions
from service.record.tables import Contributor, Question


def merge(session: Session, steward: Contributor, slug: str, document: Merge) -> Question:
    """Join a question into another, in whose answer its replications stand from then on; return the one joined.

    Raises
    ------
    Refused
        `forbidden` unless a steward does it; `invalid` for a question to join that there isn't.
    service.record.errors.NotFound, service.record.errors.Conflict
        There is no such question; they are the same, one is merged already, or their arms have different keys.

    """
    _refuse_others(steward, "only a steward merges questions")
    question = questions.by_slug(session, slug)
    try:
        into = question_named(session, document.into)
    except Refused:
        raise invalid([Fault("/into", "no question has this slug")]) from None
    return merging.merge(session, question=question, into=into, steward=steward, reason=document.reason)


def vouch(session: Session, steward: Contributor, contributor_id: UUID) -> Contributor:
    """Give a steward's word for a contributor.

    Raises
    ------
    Refused
        `forbidden` unless a steward does it.
    service.record.errors.NotFound, service.record.errors.Conflict
        There is no such contributor; they are vouched for already, or erased.

    """
    _refuse_others(steward, "only a steward vouches for somebody")
    return contributors.vouch(session, contributor=contributors.get(session, contributor_id), steward=steward)


def _refuse_others(caller: Contributor, detail: str) -> None:
    if not caller.is_steward:
        raise Refused(detail, kind="forbidden")
