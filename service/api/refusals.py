"""What the inner rooms refuse, as problem documents: the one place that knows both vocabularies."""

from service.api.problems import SOON, Fault, Problem
from service.intake.refusals import Refused
from service.record.errors import (
    Conflict,
    IdempotencyMismatch,
    InFlight,
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
    (Unavailable, "unavailable"),
)


def from_record(error: RecordError) -> Problem:
    """Turn what the record refuses into a problem."""
    slug = next((slug for kind, slug in _SLUGS if isinstance(error, kind)), "internal-error")
    if slug == "unavailable":
        return Problem(slug, headers=SOON)
    return Problem(slug, error.detail)


_INTAKE_SLUGS = {
    "invalid": "invalid-input",
    "conflict": "conflict",
    "forbidden": "not-yours",
    "not_found": "not-found",
}


def from_intake(error: Refused) -> Problem:
    """Turn what intake refuses into a problem, each fault with its place."""
    faults = [Fault(pointer=fault.pointer, detail=fault.detail) for fault in error.faults]
    return Problem(_INTAKE_SLUGS[error.kind], error.detail, faults=faults)
