from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from service.intake.measures import Condition, Number, SmallVolume, Strength, StrengthSpan, as_difference, quantity_of
from service.intake.strict import Key, Label, Line, Prose, Strict

Method = Literal["triangle", "duo_trio", "two_afc", "three_afc", "tetrad"]
SplitPoint = Literal["recipe", "must", "ferment", "spirit"]

PERCEIVABLE_DIFFERENCE = "perceivable_difference"
PREFERENCE = "preference"
DESCRIPTORS = "descriptors"
TASTING_OUTCOMES = (PERCEIVABLE_DIFFERENCE, PREFERENCE, DESCRIPTORS)
SMALLEST_DISCRIMINATING = 0.3
"""Proportion discriminating that matters, where a protocol says nothing."""


class HeldConstant(Strict):
    """A condition that every batch must share."""

    key: Key = Field(
        description="Looked up on the batch, then in its `measured`, then in the replication's `conditions`.",
        examples=["pitch_c"],
    )
    label: Label | None = Field(default=None, examples=["Temperature at pitching"])
    unit: Annotated[str, Field(max_length=40)] = Field(default="", examples=["degC"])
    target: Condition | None = Field(
        default=None, description="Number or text to hold; left out, batches are held to each other.", examples=[24]
    )
    tolerance: Annotated[Number, Field(ge=0)] | None = Field(
        default=None, description="How far from the target is still held; nothing when left out.", examples=[1]
    )

    @model_validator(mode="before")
    @classmethod
    def _convert_text(cls, given: Any) -> Any:  # noqa: ANN401  before validation it can be anything
        if not isinstance(given, dict) or not isinstance(given.get("key"), str):
            return given
        unit = given.get("unit")
        quantity = quantity_of(given["key"], unit if isinstance(unit, str) else "")
        if quantity is None:
            return given
        converted = dict(given)
        if "target" in given:
            converted["target"] = quantity.convert(given["target"])
        if "tolerance" in given:
            converted["tolerance"] = as_difference(quantity).convert(given["tolerance"])
        return converted

    @field_validator("unit")
    @classmethod
    def _unit_is_printable(cls, unit: str) -> str:
        if not unit.isprintable():
            raise ValueError("write the unit in plain characters, such as degC")
        return unit

    @field_validator("tolerance")
    @classmethod
    def _only_numbers_have_one(cls, tolerance: float | None, info: ValidationInfo) -> float | None:
        if tolerance is not None and isinstance(info.data.get("target"), (str, bool)):
            raise ValueError("only a number has a tolerance; leave it out where the target is text, true or false")
        return tolerance


class OutcomeGoal(Strict):
    """What is to be found out, and how big a difference would matter."""

    outcome: Key = Field(
        description="`perceivable_difference`, `preference`, `descriptors`, a measured one, or a key of `measured`.",
        examples=["perceivable_difference"],
    )
    primary: bool = Field(default=False, description="True on at most one; the first is primary when none says so.")
    smallest_difference_that_matters: Annotated[Number, Field(gt=0)] | None = Field(
        default=None,
        description="In the outcome's unit; for a perceivable difference a proportion discriminating, 0.3 unless said.",
        examples=[0.3],
    )

    @field_validator("smallest_difference_that_matters")
    @classmethod
    def _proportion_below_one(cls, smallest: float | None, info: ValidationInfo) -> float | None:
        if smallest is not None and smallest >= 1 and info.data.get("outcome") == PERCEIVABLE_DIFFERENCE:
            raise ValueError("a proportion discriminating must be above 0 and below 1")
        return smallest

    @property
    def smallest(self) -> float | None:
        """The smallest difference that matters, with the default of a perceivable difference filled in."""
        if self.smallest_difference_that_matters is None and self.outcome == PERCEIVABLE_DIFFERENCE:
            return SMALLEST_DISCRIMINATING
        return self.smallest_difference_that_matters


class ProtocolTrial(Strict):
    """The blind trial that every replication holds."""

    method: Method
    control: Key
    treatment: Key
    presentations: Annotated[int, Field(ge=1, le=10_000)] = Field(description="Sets to be presented.", examples=[12])
    pour_ml: SmallVolume | None = Field(default=None, examples=[15])
    tasting_abv_percent: Strength | None = Field(default=None, description="Strength of every glass at 20 °C.")
    tasting_abv_tolerance_percent: StrengthSpan | None = Field(default=None, examples=[0.3])


class Pair(Strict):
    """Two arms to be compared."""

    control: Key
    treatment: Key


class ProtocolDocument(Strict):
    """What every replication does, so that the results can be pooled. A published version never changes."""

    summary: Prose = Field(description="What is done, in a paragraph.")
    steps: Annotated[list[Prose], Field(max_length=200)] = Field(default=[])
    split_point: SplitPoint = Field(
        default="recipe",
        description="Where the arms part. The later, the less batch luck; left out, the earliest is taken.",
    )
    held_constant: Annotated[list[HeldConstant], Field(max_length=40)] = Field(default=[])
    measurements: Annotated[list[Line], Field(max_length=60)] = Field(
        default=[],
        description="Fields each batch must give, such as `final_sg`, `ph_end` or `spirit.tasting_abv_percent`; "
        "anything else here is read as an instruction.",
        examples=[["original_sg", "final_sg"]],
    )
    outcomes: Annotated[list[OutcomeGoal], Field(min_length=1, max_length=20)]
    trial: ProtocolTrial | None = Field(default=None)
    pairs: Annotated[list[Pair], Field(min_length=1, max_length=40)] | None = Field(
        default=None, description="Comparisons of measured outcomes; the control against each other arm when left out."
    )
    descriptors: Annotated[list[Label], Field(max_length=40)] = Field(
        default=[], description="Words that tasters are asked about.", examples=[["fruity", "solvent"]]
    )

    @field_validator("held_constant")
    @classmethod
    def _held_once(cls, held: list[HeldConstant]) -> list[HeldConstant]:
        if len({item.key for item in held}) < len(held):
            raise ValueError("two entries have one key; name each condition once")
        return held

    @field_validator("outcomes")
    @classmethod
    def _one_primary(cls, outcomes: list[OutcomeGoal]) -> list[OutcomeGoal]:
        if len({goal.outcome for goal in outcomes}) < len(outcomes):
            raise ValueError("an outcome is named twice; name each once")
        if sum(goal.primary for goal in outcomes) > 1:
            raise ValueError("only one outcome may be primary: it is the one that carries the claim")
        return outcomes

    @property
    def primary(self) -> OutcomeGoal:
        """The outcome that carries the claim."""
        return next((goal for goal in self.outcomes if goal.primary), self.outcomes[0])

    def goal(self, outcome: str) -> OutcomeGoal | None:
        """Return what the protocol says of an outcome, or None."""
        return next((goal for goal in self.outcomes if goal.outcome == outcome), None)
