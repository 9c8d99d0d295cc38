from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from service.intake.measures import (
    Days,
    DaysOrNone,
    Gravity,
    Hours,
    Mass,
    Measured,
    Power,
    Strength,
    StrengthSpan,
    Temperature,
    Volume,
    VolumeOrNone,
)
from service.intake.strict import Key, Label, Line, Moment, Prose, Strict

READING_UNCERTAINTY_SG = 0.001
"""Standard uncertainty of a gravity reading where none is stated; a judgement, common practice, no source."""

ReadingUncertainty = Annotated[float, Field(gt=0, le=0.05)]


class Reading(Strict):
    """One look at a ferment."""

    at_h: Hours = Field(description="Hours since pitching.")
    sg: Gravity
    temperature_c: Temperature | None = None


class Addition(Strict):
    """Something added after pitching."""

    at_h: Hours | None = Field(default=None, description="Hours since pitching.")
    what: Line = Field(examples=["honey"])
    mass_g: Mass | None = None
    volume_l: VolumeOrNone | None = None


class Fraction(Strict):
    """A part of the run, as collected."""

    name: Label = Field(examples=["hearts"])
    volume_l: VolumeOrNone
    abv_percent: Strength


class Spirit(Strict):
    """How a batch was distilled, cut, proofed and rested."""

    charge_l: Volume | None = None
    charge_abv_percent: Strength | None = None
    run_order: Annotated[int, Field(ge=1, le=1000)] | None = None
    cleaned_between: bool | None = Field(default=None, description="Whether the still was cleaned before this run.")
    heat_w: Power | None = None
    cut_rule: Literal["volume", "strength", "taste"] | None = None
    cutter_knew_arm: bool | None = None
    fractions: Annotated[list[Fraction], Field(max_length=200)] = Field(default=[])
    tasting_abv_percent: Strength | None = Field(default=None, description="Strength in the glass, at 20 °C.")
    tasting_abv_uncertainty_percent: StrengthSpan | None = Field(
        default=None, description="How far that reading may be off; the protocol's tolerance is taken when left out."
    )
    tasting_sample_c: Temperature | None = None
    proofing_water: Line | None = None
    proofed_at: Moment | None = None
    rest_h: Hours | None = Field(default=None, description="Hours between proofing and tasting.")


class Package(Strict):
    """What the glasses were filled from."""

    bottle_age_days: DaysOrNone | None = None
    co2_g_per_l: Annotated[float, Field(ge=0, le=30)] | None = None
    bottles_pooled: bool | Annotated[int, Field(ge=0, le=1000)] | None = Field(
        default=None, description="Whether bottles were mixed before pouring, or how many."
    )


class BatchDocument(Strict):
    """One vessel of one arm."""

    arm: Key
    batch: Label = Field(description="Your name for the vessel.", examples=["bucket 1"])
    volume_l: Volume | None = None
    pitched_at: Moment | None = Field(default=None, description="Decides whether measured outcomes were registered.")
    original_sg: Gravity | None = Field(default=None, examples=[1.080])
    additions: Annotated[list[Addition], Field(max_length=500)] = Field(default=[])
    final_sg: Gravity | None = Field(
        default=None, description="Refused above the original unless `additions` explain it.", examples=[0.998]
    )
    pitch_c: Temperature | None = None
    sample_c: Temperature | None = None
    degassed: bool | None = None
    instrument: Line | None = Field(default=None, examples=["hydrometer"])
    reading_uncertainty_sg: ReadingUncertainty | None = Field(
        default=None, description="Standard uncertainty of one reading; 0.001 is taken when left out."
    )
    days_to_finish: Days | None = None
    still_going_at_days: Days | None = Field(
        default=None,
        description="Where it had not finished: days after pitching at which it was last seen still fermenting. "
        "`days_to_finish` is then left out.",
    )
    reached_dryness: bool | None = None
    readings: Annotated[list[Reading], Field(max_length=5000)] = Field(default=[])
    measured: Measured = Field(default={}, examples=[{"ph_end": 3.4}])
    spirit: Spirit | None = None
    package: Package | None = None
    notes: Prose = ""

    @field_validator("final_sg")
    @classmethod
    def _fermenting_lowers_gravity(cls, final: float | None, info: ValidationInfo) -> float | None:
        original = info.data.get("original_sg")
        if final is not None and original is not None and final > original and not info.data.get("additions"):
            raise ValueError(
                "final gravity is above the original; mend one of them, or list in additions what was added"
            )
        return final

    @field_validator("still_going_at_days")
    @classmethod
    def _not_both_done_and_going(cls, seen: float | None, info: ValidationInfo) -> float | None:
        if seen is not None and info.data.get("days_to_finish") is not None:
            raise ValueError("give only one: days_to_finish, or this for a vessel that was still going")
        return seen

    @property
    def gravity_uncertainty(self) -> float:
        """Standard uncertainty of one gravity reading."""
        return self.reading_uncertainty_sg or READING_UNCERTAINTY_SG
