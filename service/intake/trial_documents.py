from typing import Annotated, Literal
from uuid import UUID

from pydantic import Field, ValidationInfo, field_validator

from service.intake.measures import Temperature
from service.intake.protocol_documents import Method
from service.intake.strict import Count, DayOrMoment, Key, Label, Strict

OrderDraw = Literal["each_afresh", "blocks", "unknown"]
KeyHolder = Literal["helper", "taster", "nobody"]
_ENDINGS = {
    "helper": "was closed by its helper",
    "owner": "was closed by its owner",
    "steward": "was closed by a steward",
    "age": "was left, and closed by its age,",
}


class AssessorCount(Strict):
    """What one taster answered."""

    assessor: Label = Field(description="A code, never a name.", examples=["p1"])
    presented: Annotated[int, Field(ge=1, le=5000)]
    correct: Count

    @field_validator("correct")
    @classmethod
    def _no_more_than_presented(cls, correct: int, info: ValidationInfo) -> int:
        presented = info.data.get("presented")
        if presented is not None and correct > presented:
            raise ValueError("more correct answers than sets presented; check both counts")
        return correct


class Preferred(Strict):
    """Which was liked better, in sets of two known only by codes."""

    control: Count = 0
    treatment: Count = 0
    neither: Count = 0


class DescriptorCounts(Strict):
    """In how many sets a word was used for both, one, or neither."""

    term: Label
    both: Count = 0
    only_control: Count = 0
    only_treatment: Count = 0
    neither: Count = 0


class TrialDocument(Strict):
    """A blind trial held at home and typed in, called `declared`. `control` equal to `treatment` is a sham trial."""

    method: Method
    control: Key
    treatment: Key
    tasted_on: DayOrMoment | None = Field(
        default=None, description="Day, or moment, of the first answer.", examples=["2026-05-01"]
    )
    planned: Annotated[int, Field(ge=1, le=100_000)] | None = Field(
        default=None, description="Sets planned in all, over every assessor of this trial."
    )
    order_draw: OrderDraw | None = Field(
        default=None, description="How each set's order was drawn: afresh for each, in balanced blocks, or not known."
    )
    told_during: bool | None = Field(default=None, description="Whether tasters heard results before the last answer.")
    key_held_by: KeyHolder | None = None
    serving_c: Temperature | None = None
    appearance_masked: bool | None = Field(default=None, description="Whether colour and haze were hidden.")
    assessors: Annotated[list[AssessorCount], Field(max_length=200)] = Field(default=[])
    preferred: Preferred | None = None
    descriptors: Annotated[list[DescriptorCounts], Field(max_length=40)] = Field(default=[])

    @field_validator("assessors")
    @classmethod
    def _each_once(cls, assessors: list[AssessorCount]) -> list[AssessorCount]:
        if len({count.assessor for count in assessors}) < len(assessors):
            raise ValueError("an assessor stands twice; add up one taster's sets, or write another trial")
        return assessors

    @field_validator("descriptors")
    @classmethod
    def _each_term_once(cls, descriptors: list[DescriptorCounts]) -> list[DescriptorCounts]:
        if len({counts.term for counts in descriptors}) < len(descriptors):
            raise ValueError("a term stands twice; give each one line")
        return descriptors

    @property
    def presented(self) -> int:
        """Sets presented, over all assessors."""
        return sum(count.presented for count in self.assessors)

    @property
    def correct(self) -> int:
        """Correct answers, over all assessors."""
        return sum(count.correct for count in self.assessors)

    @property
    def is_sham(self) -> bool:
        """Whether both vessels are of one arm."""
        return self.control == self.treatment

    @property
    def is_sealed(self) -> bool:
        """Whether the service held the key."""
        return False

    @property
    def ending(self) -> str:
        """What a sentence says of an end before the planned number."""
        return "stopped"

    def name_at(self, index: int) -> str:
        """Return what a sentence calls the trial at this place of a document."""
        return f"Trial {index + 1}"


class SealedTrialDocument(TrialDocument):
    """A sealed trial that has ended, in the terms of one that was typed; the service makes it, nobody can send it."""

    id: UUID
    number: int
    ended_by: str
    pour_sheet_openings: int
    answered_before_pouring: int

    @property
    def is_sealed(self) -> bool:
        """Whether the service held the key."""
        return True

    @property
    def ending(self) -> str:
        """What a sentence says of an end before the planned number."""
        return _ENDINGS.get(self.ended_by, "ended")

    def name_at(self, index: int) -> str:
        """Return what a sentence calls the trial: its own number, whatever was typed before it."""
        del index
        return f"Sealed trial {self.number}"
