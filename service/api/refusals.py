"""What the inner rooms refuse, as problem documents: the one place that knows both vocabularies."""

from service.api.problems import SOON, Fault, Problem
from service.intake.refusals import Refused
from service.record.errors import (
    Conflict,
    IdempotencyMismatch,
    InFlight,
    NoSealingKey,
    NotCanonical,
    NotFound,
    RecordError,
    StaleRevision,
    Unavailable,
)

_SLUGS: tuple[tuple[type[RecordError], str], ...] = (
    (NotFound, "not-found"),
    (StaleRevision, "stale-revision"),
    (InFlight, "request-in-flight"),
    (Conflict, "conflict"),
    (IdempotencyMismatch, "idempotency-key-reused"),
    (NotCanonical, "invalid-input"),
    (NoSealingKey, "no-sealing-key"),
    (Unavailable, "unavailable"),
)
_ONCE_MENDED = {"Retry-After": "600"}


def from_record(error: RecordError) -> Problem:
    """Turn what the record refuses into a problem."""
    slug = next((slug for kind, slug in _SLUGS if isinstance(error, kind)), "internal-error")
    if slug == "unavailable":
        return Problem(slug, headers=SOON)
    if slug == "no-sealing-key":
        return Problem(slug, error.detail, headers=_ONCE_MENDED)
    return Problem(slug, error.detail)


_INTAKE_SLUGS = {
    "invalid": "invalid-input",
    "conflict": "conflict",
    "forbidden": "not-yours",
    "not_found": "not-found",
    "plan_fixed": "plan-is-fixed",
    "trial_open": "trial-open",
    "trial_ended": "trial-ended",
    "out_of_turn": "out-of-turn",
    "answer_final": "answer-is-final",
    "code_not_served": "code-not-served",
}


def from_intake(error: Refused) -> Problem:
    """Turn what intake refuses into a problem, each fault with its place."""
    faults = [Fault(pointer=fault.pointer, detail=fault.detail) for fault in error.faults]
    return Problem(_INTAKE_SLUGS[error.kind], error.detail, faults=faults)
