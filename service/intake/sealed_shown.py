"""How sealed trials are shown: with their progress while they are open, with everything once they have ended."""

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

from service.intake.report_models import Limits
from service.intake.tasting_load import Alcohol
from service.intake.trial_documents import AssessorCount, DescriptorCounts, Preferred

TrialState = Literal["open", "finished", "closed"]
"""`finished` by the last answer of the last taster; `closed` before that."""

ClosedBy = Literal["helper", "owner", "steward", "age"]


class _Shown(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Glass(_Shown):
    """A glass to pour: what goes under which code."""

    code: str
    arm: str
    letter: str = Field(description="Tells the two batches apart, also where both are of one arm.")
    reference: bool = Field(description="The marked glass of a duo-trio, which the others are held against.")


class Pour(_Shown):
    """The glasses of one set, left to right."""

    taster: str
    presentation: int
    glasses: list[Glass]


class TasterProgress(_Shown):
    """How far a taster has come."""

    assessor: str
    planned: int
    answered: int


class PourSheet(_Shown):
    """Who is poured what: for the helper alone, who shows it to nobody."""

    state: TrialState
    method: str
    sham: bool
    presentations: list[Pour]
    progress: list[TasterProgress]
    pour_ml: float
    serving_c: float | None
    alcohol: Alcohol
    instructions: list[str]
    cautions: list[str]


class TasterTurn(_Shown):
    """What a taster is served now, known by codes alone."""

    state: TrialState
    presentation: int | None = Field(description="The present set; null when there is none to answer.")
    planned: int
    answered: int
    method: str
    codes: list[str] = Field(description="Left to right, as served.")
    reference_code: str | None = Field(description="The marked glass of a duo-trio, which isn't chosen.")
    choose: int = Field(description="How many codes to choose.")
    instruction: str
    asks_preference: bool
    descriptors: list[str] = Field(description="Words to tick for each glass; none where that isn't asked.")
    cautions: list[str]
    trial: str | None = Field(description="Where the key and the answers are to be read, once the trial has ended.")


class AnswerKept(_Shown):
    """That an answer is written down; whether it was right is for the end."""

    presentation: int
    planned: int
    answered: int
    finished: bool = Field(description="Whether this was the taster's last set.")
    answered_at: datetime


class SealedTrialShown(_Shown):
    """A sealed trial in its replication's document."""

    id: UUID
    number: int
    state: TrialState
    closed_by: ClosedBy | None
    method: str
    control: str
    treatment: str
    planned: int
    presented: int
    order_draw: str
    opened_at: datetime
    closed_at: datetime | None
    tasted_on: datetime | None = Field(description="The first answer; null while open, or without any.")
    pour_sheet_openings: int
    assessors: list[AssessorCount] | None = Field(description="Null while the trial is open.")
    preferred: Preferred | None
    descriptors: list[DescriptorCounts]
    key_commitment: str


class AnswerShown(_Shown):
    """One answer, set against the key."""

    taster: str
    presentation: int
    chosen_codes: list[str]
    right: bool
    preferred_code: str | None = None
    confidence: float | str | None = None
    notes: str | None = None
    descriptors: dict[str, list[str]] | None = None
    answered_at: datetime


class TrialResult(_Shown):
    """What the answers come to."""

    planned: int
    presented: int
    correct: int
    assessors: list[AssessorCount]
    preferred: Preferred | None
    descriptors: list[DescriptorCounts]
    p_value: float | None
    proportion_discriminating: Limits | None
    reading: str


class LedgerEntries(_Shown):
    """Where the ledger has the trial, from its opening to its end."""

    opened: int
    closed: int | None
    opened_salt: str | None = Field(default=None, description="32 bytes in hex; shown once the trial has ended.")
    opened_content: dict[str, Any] | None = Field(
        default=None, description="What was written down at the opening; shown once the trial has ended."
    )


class TrialShown(_Shown):
    """A sealed trial: progress alone until it ends, then everything."""

    id: UUID
    state: TrialState
    closed_by: ClosedBy | None
    method: str
    planned: int
    answered: int
    tasters: list[TasterProgress]
    opened_at: datetime
    closes_at: datetime = Field(description="When it ends by itself.")
    closed_at: datetime | None
    key_commitment: str = Field(description="Hex SHA-256 over the salt and the RFC 8785 bytes of the key.")
    ledger: LedgerEntries
    replication: UUID | None = None
    salt: str | None = Field(default=None, description="32 bytes in hex.")
    key: dict[str, Any] | None = None
    answers: list[AnswerShown] | None = None
    result: TrialResult | None = None
    verify: str | None = Field(default=None, description="How to check that this is the key that was committed to.")
