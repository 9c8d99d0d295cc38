"""Everything that people send to the record, by its front door."""

from typing import Annotated, Literal

from pydantic import Field

from service.intake.batch_documents import Addition, BatchDocument, Fraction, Package, Reading, Spirit
from service.intake.measures import Condition
from service.intake.protocol_documents import (
    DESCRIPTORS,
    PERCEIVABLE_DIFFERENCE,
    PREFERENCE,
    TASTING_OUTCOMES,
    HeldConstant,
    Method,
    OutcomeGoal,
    Pair,
    ProtocolDocument,
    ProtocolTrial,
)
from service.intake.question_documents import Arm, QuestionDocument, Stage
from service.intake.strict import Key, Label, Line, Prose, Strict
from service.intake.trial_documents import AssessorCount, DescriptorCounts, Preferred, TrialDocument

__all__ = [
    "DESCRIPTORS",
    "PERCEIVABLE_DIFFERENCE",
    "PREFERENCE",
    "TASTING_OUTCOMES",
    "Addition",
    "Arm",
    "AssessorCount",
    "BatchDocument",
    "DescriptorCounts",
    "Fraction",
    "HeldConstant",
    "HouseholdCall",
    "Impression",
    "Merge",
    "Method",
    "NewContributor",
    "OutcomeGoal",
    "Package",
    "Pair",
    "Plan",
    "Preferred",
    "ProtocolDocument",
    "ProtocolTrial",
    "QuestionDocument",
    "Reading",
    "ReplicationDocument",
    "Revision",
    "Spirit",
    "Stage",
    "TrialDocument",
    "Withdrawal",
]

WithdrawalCategory = Literal["mixed_up", "not_blind", "duplicate", "fabricated", "consent"]


class Plan(Strict):
    """What was decided beforehand. It never changes; what is left out comes from the protocol."""

    method: Method | None = None
    control: Key | None = None
    treatment: Key | None = None
    presentations: Annotated[int, Field(ge=1, le=10_000)] | None = None
    primary_outcome: Key | None = None
    significance: Annotated[float, Field(gt=0, le=0.5)] | None = Field(default=None, examples=[0.05])


class ReplicationDocument(Strict):
    """One household's try at a question. Only what the protocol requires must be there; the rest is flagged."""

    question: Key = Field(description="Slug of the question.", examples=["clear-before-strip"])
    protocol_version: Annotated[int, Field(ge=1, le=100_000)]
    state: Literal["registered", "submitted"] = Field(
        default="submitted", description="`registered` locks the plan and stamps it; `submitted` is whole."
    )
    plan: Plan = Field(default=Plan())
    kitchen: Prose = Field(default="", description="Where and with what, without names or addresses.")
    conditions: Annotated[dict[Key, Condition], Field(max_length=40)] = Field(
        default={},
        description="What may change the answer elsewhere: text, a number, true or false.",
        examples=[{"still": "pot", "plates": 0}],
    )
    assignment: Literal["drawn", "coin", "chosen"] | None = Field(
        default=None, description="How vessels got their arms."
    )
    batches: Annotated[list[BatchDocument], Field(max_length=40)] = Field(default=[])
    trials: Annotated[list[TrialDocument], Field(max_length=60)] = Field(default=[])
    observer_knew_the_arms: bool | None = Field(
        default=None, description="Whether whoever read the instruments knew which vessel was which."
    )
    suspected_confounds: Annotated[list[Line], Field(max_length=40)] = Field(default=[])
    notes: Prose = ""


class Revision(ReplicationDocument):
    """A replication sent again: whole, and after submission with the reason for the change."""

    reason: Line | None = Field(default=None, description="Needed once submitted: what is amended and why.")

    def document(self) -> ReplicationDocument:
        """Return the replication alone, keeping what was given apart from what was defaulted."""
        given = {name: getattr(self, name) for name in self.model_fields_set if name != "reason"}
        return ReplicationDocument.model_construct(_fields_set=set(given), **given)


class Withdrawal(Strict):
    """Taking a result back, or a steward's retraction: never because of how it came out."""

    category: WithdrawalCategory
    reason: Annotated[Line, Field(examples=["the buckets were swapped when racking"])]


class Impression(Strict):
    """What someone thought without blinding: counted apart, never pooled."""

    leans: Literal["control", "treatment", "neither"]
    text: Prose = ""


class Merge(Strict):
    """A steward's joining of a question into another."""

    into: Key = Field(description="Slug of the question that stays.")
    reason: Line


class NewContributor(Strict):
    """Someone who starts to contribute; no e-mail address, no real name needed."""

    display_name: Label = Field(examples=["Cellar mouse"])


class HouseholdCall(Strict):
    """Nothing asks for a join code; a join code joins that household."""

    join_code: Annotated[str, Field(min_length=8, max_length=200, pattern=r"^[A-Za-z0-9_-]+$")] | None = None
