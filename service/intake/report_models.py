"""The shape of a report: what one replication shows by itself."""

from pydantic import BaseModel, ConfigDict, Field


class _Shown(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Limits(_Shown):
    """An estimate with its limits at 0.95; `high` is null where there is no upper limit."""

    estimate: float | None
    low: float | None
    high: float | None


class TrialReport(_Shown):
    """What one set of presentations shows."""

    method: str
    control: str
    treatment: str
    presented: int
    correct: int
    assessors: int
    p_value: float
    expected_by_chance: float
    proportion_discriminating: Limits
    d_prime: Limits
    any_time_e_value: float | None = Field(description="Null where it is beyond the largest number.")
    sealed: bool = Field(description="Whether the service held the key until the last answer.")
    outside_the_test: str | None = Field(description="Why this count has no place in the pooled test against guessing.")
    reading: str


class MeasuredReport(_Shown):
    """What one measured outcome shows, in the outcome's unit."""

    outcome: str
    control: str
    treatment: str
    control_value: float | bool | None = Field(description="Null where the arm had not finished.")
    treatment_value: float | bool | None = Field(description="Null where the arm had not finished.")
    difference: float | None
    ratio: float | None = Field(description="Treatment over control, where an outcome is compared as a ratio.")
    unit: str
    explained_by_reading: float | None = Field(description="Twice the standard uncertainty of the difference.")
    reading: str


class FermentReport(_Shown):
    """Where one batch's own gravity log leaves it."""

    batch: str
    arm: str
    state: str = Field(description="`lagging`, `active`, `slowing`, `finished` or `stalled`.")
    projected_final_sg: Limits | None
    reading: str


class Deviation(_Shown):
    """Something unlike the plan, or not recorded."""

    name: str
    detail: str


class Confound(Deviation):
    """Another explanation than the factor, with its numbers."""

    numbers: dict[str, float]


class Report(_Shown):
    """What a replication shows by itself, before any other is set beside it."""

    summary: list[str]
    trials: list[TrialReport]
    measured: list[MeasuredReport]
    ferments: list[FermentReport] = Field(description="Batches whose gravity was logged four times or more.")
    deviations: list[Deviation]
    confounds: list[Confound]
    cautions: list[str]
