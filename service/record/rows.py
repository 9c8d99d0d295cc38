"""Plain rows that go into the record and come out of it; none of them is bound to a session."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal
from uuid import UUID

Kind = Literal[
    "question",
    "protocol",
    "registration",
    "submission",
    "amendment",
    "withdrawal",
    "report",
    "trial-opened",
    "trial-closed",
    "retraction",
    "merge",
    "erasure",
    "vouch",
]
Stage = Literal["ferment", "distil"]
QuestionStatus = Literal["open", "closed", "merged"]
ReplicationState = Literal["registered", "submitted", "withdrawn", "retracted", "erased"]
LeftReason = Literal["amended", "withdrawn", "retracted", "erased", "merged"]
Leaning = Literal["control", "treatment", "neither"]
EndedBy = Literal["tasters", "helper", "owner", "steward", "age"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRow:
    """One declared set of presentations, summed over its assessors."""

    method: str
    control: str
    treatment: str
    presented: int
    correct: int
    assessors: int
    planned: int | None = None
    order_draw: str | None = None
    told_during: bool | None = None
    key_held_by: str | None = None
    tasted_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialTaster:
    """Somebody who tastes in a sealed trial; of their link there is only the hash."""

    id: UUID
    assessor: str
    hash: str


@dataclass(frozen=True, slots=True)
class TrialAnswer:
    """What a taster answered to one set of a sealed trial."""

    presentation: int
    answer: dict[str, Any]
    answered_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationRow:
    """One comparison and outcome of a replication: counts, a difference with its variance, or a pair of events."""

    control: str
    treatment: str
    outcome: str
    sham: bool = False
    method: str | None = None
    presented: int | None = None
    correct: int | None = None
    assessors: int | None = None
    difference: float | None = None
    variance: float | None = None
    control_event: bool | None = None
    treatment_event: bool | None = None
    details: Mapping[str, Any] = field(default_factory=dict)
    sealed: bool = False
    registered: bool = False
    conditions_met: bool | None = None
    outside_the_test: str | None = None
    flags: tuple[str, ...] = ()
    moderators: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedObservation(ObservationRow):
    """An observation as it stood at a ledger position: what left later has not left yet."""

    id: int
    question_id: UUID
    replication_id: UUID
    household_id: UUID
    contributor_id: UUID
    protocol_version: int | None
    entered_position: int
    left_position: int | None
    left_reason: LeftReason | None
    vouched: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A replication as it stood at a ledger position; positions beyond it are None."""

    replication_id: UUID
    household_id: UUID
    contributor_id: UUID
    protocol_version: int
    plan: Mapping[str, Any]
    state: ReplicationState
    started_position: int
    registered_position: int | None
    submitted_position: int | None
    withdrawal_asked_position: int | None
    withdrawn_position: int | None
    retracted_position: int | None
    erased_position: int | None
    vouched: bool


@dataclass(frozen=True, slots=True)
class Entry:
    """One ledger entry; hashes are lower-case hex, `root_hash` is the tree head at this size."""

    position: int
    kind: str
    subject: str
    at: datetime
    content_hash: str
    leaf_hash: str
    root_hash: str
    question_id: UUID | None


@dataclass(frozen=True, slots=True)
class Head:
    """The tree head: `at` is None while the ledger is empty."""

    size: int
    root_hash: str
    at: datetime | None


@dataclass(frozen=True, slots=True)
class ProtocolVersion:
    """One protocol with its document; `document` is None once erased."""

    question_id: UUID
    version: int
    author_id: UUID
    position: int
    created_at: datetime
    document: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision of a replication; `document` is None once erased."""

    revision: int
    state: str
    reason: str | None
    position: int
    created_at: datetime
    document: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class Counts:
    """Submitted replications of a question, and the households they come from."""

    replications: int = 0
    households: int = 0
