"""The whole answer, as it is sent."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, PlainSerializer

from service.evidence.beside_blocks import Descriptor, FinishedDry, Preference
from service.evidence.blocks import Block
from service.evidence.measured_blocks import Measured
from service.evidence.trial_blocks import PerceivableDifference
from service.record.canonical import rfc3339


class QuestionShown(Block):
    """The question that is answered, as it stood."""

    slug: str
    title: str
    factor: str
    stage: str
    status: str


class Comparison(Block):
    """Two arms of the question."""

    control: str
    treatment: str


class AsOf(Block):
    """The state of the record that the answer was computed from: the last entry that touches the question."""

    position: int
    root_hash: str
    at: Annotated[datetime, PlainSerializer(rfc3339, return_type=str, when_used="json")] = Field(
        description="In the form that leaves are hashed in.", json_schema_extra={"format": "date-time"}
    )


class LeftOutCount(Block):
    """Replications that are not in the answer, and why."""

    reason: str
    count: int


class UnblindedReports(Block):
    """Impressions without blinding, by leaning: counted apart, never pooled."""

    control: int
    treatment: int
    neither: int


class Counted(Block):
    """What was started, what was reported, and what is in the answer."""

    started: int
    reported: int
    replications: int
    households: int
    assessors: int
    presentations: int
    withdrawal_asked: int = Field(description="In the answer, though their owner would take them back.")
    left_out: list[LeftOutCount]
    unblinded_reports: UnblindedReports


class NextStep(Block):
    """What would help most now."""

    what_would_help: str
    missing_conditions: list[str]
    households_to_halve_the_interval: int | None


class MethodNote(Block):
    """How it was pooled."""

    version: str
    sources: list[str]


class EvidenceAnswer(Block):
    """What all the replications say together."""

    question: QuestionShown
    protocol_versions: list[int]
    comparison: Comparison
    comparisons: list[Comparison]
    filters: dict[str, Any]
    exploratory: bool = Field(description="A part chosen by the reader: no certainty is given for it.")
    as_of: AsOf
    counted: Counted
    answer: str = Field(description="One or two plain sentences.")
    certainty: Literal["none", "single", "thin", "building", "solid"] | None
    certainty_reasons: list[str]
    perceivable_difference: PerceivableDifference
    preference: Preference | None
    descriptors: list[Descriptor]
    measured: dict[str, Measured]
    finished_dry: FinishedDry | None
    next: NextStep
    cautions: list[str]
    method: MethodNote
    cite_as: str
