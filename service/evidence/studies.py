"""The studies behind an answer, a page at a time."""

from service.evidence.aims import PERCEIVABLE
from service.evidence.blocks import MeasuredStudy, TrialStudyOfRecord
from service.evidence.collect import collect
from service.evidence.filters import Filters
from service.evidence.measured import study_of_record
from service.evidence.measured_robustness import with_difference
from service.evidence.perceivable import trial_of_record
from service.record.database import Session
from service.record.tables import Question


def studies_of(
    session: Session,
    question: Question,
    filters: Filters,
    position: int,
    outcome: str | None,
    start: int,
    limit: int,
) -> tuple[str, list[TrialStudyOfRecord] | list[MeasuredStudy]]:
    """List the studies of one outcome in order of receipt, from a place on.

    Parameters
    ----------
    session, question, filters, position
        As for `answer.answer`.
    outcome : str or None
        Whose studies; the primary's where None.
    start, limit : int
        How many to pass over, and how many to list.

    """
    collected = collect(session, question, filters, position)
    chosen = outcome or collected.primary
    if chosen == PERCEIVABLE:
        rows = collected.of(chosen).inside_the_test
        return chosen, [trial_of_record(row) for row in rows[start : start + limit]]
    rows = with_difference(collected.of(chosen))
    return chosen, [study_of_record(row) for row in rows[start : start + limit]]
