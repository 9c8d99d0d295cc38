"""Which two arms are compared, and the same rows seen from the other side."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from service.record.rows import RecordedObservation
from service.record.tables import Question

Arms = tuple[str, str]
"""Keys: control, treatment."""

_SWAPPED = (
    ("control", "treatment"),
    ("only_control", "only_treatment"),
    ("control_value", "treatment_value"),
    ("control_still_going_at", "treatment_still_going_at"),
    ("control_batches", "treatment_batches"),
)
_OPPOSITE = dict(_SWAPPED) | {other: one for one, other in _SWAPPED}
_OTHER = {"control": "treatment", "treatment": "control"}


class ComparisonUnknownError(ValueError):
    """The arms asked about are not two arms of this question; `field` is the argument at fault."""

    def __init__(self, field: str, detail: str) -> None:
        super().__init__(detail)
        self.field = field
        self.detail = detail


def comparison_of(question: Question, control: str | None, treatment: str | None) -> Arms:
    """Settle the two arms: the control and the first treatment where none are named."""
    keys = [arm["key"] for arm in question.arms]
    for field, named in (("control", control), ("treatment", treatment)):
        if named is not None and named not in keys:
            raise ComparisonUnknownError(field, f"this question has no such arm; it has {', '.join(keys)}")
    control = control or next(arm["key"] for arm in question.arms if arm.get("is_control"))
    treatment = treatment or next(key for key in keys if key != control)
    if control == treatment:
        raise ComparisonUnknownError("treatment", "name two different arms")
    return control, treatment


def is_planned(plan: Mapping[str, Any], arms: Arms) -> bool:
    """Whether a replication's plan is about these two arms; a plan that names none is about any."""
    control, treatment = arms
    named = (plan.get("control", control), plan.get("treatment", treatment))
    return named in {arms, (treatment, control)}


def told_from(name: str) -> str:
    """Name the detail that holds this one in a row about the same arms the other way round."""
    return _OPPOSITE.get(name, name)


def turned(row: RecordedObservation) -> RecordedObservation:
    """Show a row as one about its arms the other way round."""
    return replace(
        row,
        control=row.treatment,
        treatment=row.control,
        difference=None if row.difference is None else -row.difference,
        control_event=row.treatment_event,
        treatment_event=row.control_event,
        details=_turned_details(row.details),
    )


def _turned_details(details: Mapping[str, Any]) -> dict[str, Any]:
    found = dict(details)
    for one, other in _SWAPPED:
        if one in details or other in details:
            found[one], found[other] = details.get(other), details.get(one)
    if isinstance(details.get("terms"), list):
        found["terms"] = [_turned_details(term) for term in details["terms"]]
    if details.get("finished_first") in _OTHER:
        found["finished_first"] = _OTHER[details["finished_first"]]
    return found
