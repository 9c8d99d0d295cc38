from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record.tables import Question, Replication


@dataclass(frozen=True, slots=True)
class Totals:
    """How much the record holds."""

    questions: int
    replications: int
    households: int


def totals(session: Session) -> Totals:
    """Count the questions, the submitted replications, and the households those come from."""
    questions = session.execute(select(func.count()).select_from(Question)).scalar_one()
    replications, households = session.execute(
        select(func.count(), func.count(func.distinct(col(Replication.household_id)))).where(
            col(Replication.state) == "submitted"
        )
    ).one()
    return Totals(questions, replications, households)
