"""Unblinded impressions: counted apart, never pooled."""

from dataclasses import dataclass
from typing import get_args
from uuid import UUID

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col
from uuid_utils.compat import uuid7

from service.record import contributors, ledger, questions
from service.record.rows import Leaning
from service.record.tables import Contributor, Question, QuestionReport


@dataclass(frozen=True, slots=True)
class Leanings:
    """How many reports lean each way."""

    control: int
    treatment: int
    neither: int


def add(
    session: Session,
    *,
    question: Question,
    contributor: Contributor,
    leans: Leaning,
    text: str,
    report_id: UUID | None = None,
) -> QuestionReport:
    """Write an impression down; raise Conflict where the question isn't open, or the contributor was erased.

    One that is loaded from elsewhere keeps its identifier.
    """
    contributors.refuse_erased(session, contributor.id)
    report_id = report_id or uuid7()
    entry = ledger.append(
        session,
        kind="report",
        subject=str(report_id),
        content={"question": str(question.id), "contributor": str(contributor.id), "leans": leans, "text": text},
        question_id=question.id,
    )
    questions.refuse_unless_open(session, question)
    report = QuestionReport(
        id=report_id,
        question_id=question.id,
        contributor_id=contributor.id,
        leans=leans,
        text=text,
        position=entry.position,
        created_at=entry.at,
    )
    session.add(report)
    session.flush()
    return report


def leanings_at(session: Session, question_id: UUID, position: int) -> Leanings:
    """Count the reports on a question by leaning, as they stood at a ledger position."""
    query = (
        select(col(QuestionReport.leans), func.count())
        .where(col(QuestionReport.question_id) == question_id, col(QuestionReport.position) <= position)
        .group_by(col(QuestionReport.leans))
    )
    counted = dict(session.execute(query).all())
    return Leanings(**{leaning: counted.get(leaning, 0) for leaning in get_args(Leaning)})
