from typing import Annotated, Literal, Self

from pydantic import Field, field_validator

from service.intake.strict import Key, Label, Line, Prose, Strict

Stage = Literal["ferment", "distil"]


class Arm(Strict):
    """One way of doing it: the control, or a treatment."""

    key: Key = Field(description="Short name that documents use for this arm.", examples=["control"])
    label: Label = Field(description="Name for people.", examples=["Left cloudy"])
    is_control: bool = Field(default=False, description="True on exactly one arm: what one does without the claim.")
    description: Prose = Field(default="", description="What is done in this arm.")


class QuestionDocument(Strict):
    """A claim put as a question that can be answered: one factor, a control, one or more treatments."""

    slug: Key | None = Field(
        default=None,
        description="Name in addresses; made from the title when left out.",
        examples=["clear-before-strip"],
    )
    title: Line = Field(description="The question, as one would ask it.", examples=["Does clearing a grain wash help?"])
    background: Prose = Field(default="", description="Where the claim comes from and what is known.")
    factor: Line = Field(
        description="The one thing that differs between the arms.", examples=["clearing before the run"]
    )
    stage: Stage = Field(description="The step in which the arms part: `ferment` or `distil`.")
    arms: Annotated[list[Arm], Field(min_length=2, max_length=20)] = Field(
        description="At least two, exactly one of them the control."
    )

    @field_validator("arms")
    @classmethod
    def _arms_are_told_apart(cls, arms: list[Arm]) -> list[Arm]:
        if len({arm.key for arm in arms}) < len(arms):
            raise ValueError("two arms have one key; give each arm its own")
        controls = sum(arm.is_control for arm in arms)
        if controls != 1:
            raise ValueError(f"exactly one arm must have is_control true; {controls} have")
        return arms

    @property
    def control(self) -> Arm:
        """The control arm."""
        return next(arm for arm in self.arms if arm.is_control)

    @property
    def treatments(self) -> list[Arm]:
        """The other arms, in the order given."""
        return [arm for arm in self.arms if not arm.is_control]

    def named(self, slug: str) -> Self:
        """Return the same question under a slug."""
        return self.model_copy(update={"slug": slug})
