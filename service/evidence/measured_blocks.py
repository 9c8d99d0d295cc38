"""What was measured: the shapes of that part of an answer."""

from pydantic import Field

from service.evidence.blocks import (
    AnyTimeMean,
    Block,
    Figure,
    MeasuredStudy,
    NextHousehold,
    Range,
    SignCount,
    Withheld,
)


class MeasuredSubset(Block):
    """The same mean over other rows."""

    households: int
    estimate: Figure
    low: Figure = Field(description="Of the any-time interval.")
    high: Figure
    verdict: str


class MeasuredCondition(MeasuredSubset):
    """The mean where a condition says one thing: an association, not an experiment."""

    condition: str
    value: str


class MeasuredLeftOut(Block):
    """The mean without one household."""

    household: str
    estimate: Figure
    low: Figure
    high: Figure


class MeasuredRobustness(Block):
    """The mean seen through stricter or looser eyes."""

    registered_only: MeasuredSubset
    vouched_only: MeasuredSubset
    conditions_met_only: MeasuredSubset
    with_retracted: MeasuredSubset
    silent_as_zero: MeasuredSubset
    without_any_two: bool | None = Field(
        description="Whether the verdict stays whichever two households are left out; null where too few are there."
    )
    by_condition: list[MeasuredCondition]
    leave_one_out: list[MeasuredLeftOut]
    one_household_decides: bool | None


class RatioScale(Block):
    """A difference of logarithms, read as treatment over control."""

    estimate: Figure
    low: Figure = Field(description="Of Student's interval.")
    high: Figure
    any_time: Range


class SecondMethod(Block):
    """The same mean with each household weighed by its instruments, where these differ much."""

    estimator: str
    interval: str
    estimate: Figure
    low: Figure
    high: Figure
    reading: str


class Measured(Block):
    """A measured outcome: treatment less control, averaged over households."""

    unit: str
    scale: str = Field(description="`difference`, or `log_ratio` for the logarithm of treatment over control.")
    households: int
    estimate: Figure
    low: Figure = Field(description="Of Student's interval, as if the number of households had been fixed.")
    high: Figure
    standard_error: Figure
    p_value: Figure
    any_time: AnyTimeMean
    ratio: RatioScale | None = Field(description="The same as a ratio, where the scale is `log_ratio`.")
    next_household: NextHousehold
    sd_between_households: Figure = Field(description="Between households' results, batch luck included.")
    reading_sd: Figure = Field(description="What the instruments alone explain of a household's difference.")
    sign_count: SignCount
    unfinished: int = Field(description="Replications in which an arm had not finished: they count by sign alone.")
    second_method: SecondMethod | None
    studies: list[MeasuredStudy]
    studies_total: int
    robustness: MeasuredRobustness
    primary: bool = Field(description="The one outcome that carries the claim; the others are secondary.")
    smallest_difference_that_matters: Figure = Field(description="In the outcome's unit.")
    verdict: str
    withheld: list[Withheld]
    reading: str
