"""The shapes that evidence is answered in. What the rules withhold is null and stands in `withheld`."""

from pydantic import BaseModel, ConfigDict, Field


class Block(BaseModel):
    """A part of an answer, filled from the science by the names of its fields."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)


class Estimate(Block):
    """A value with its interval at 0.95; `high` is null where there is no upper limit or nothing may be said."""

    estimate: float | None
    low: float | None
    high: float | None


class Range(Block):
    """Two limits."""

    low: float | None
    high: float | None


class Withheld(Block):
    """An output that is not given, and why."""

    output: str
    reason: str


class NobodyCanTell(Block):
    """The exact test of "nobody, anywhere, can tell"."""

    p_value: float | None


class MethodPool(Block):
    """The counts of one test method."""

    method: str
    households: int
    presentations: int
    correct: int
    proportion_discriminating: Estimate


class Spread(Block):
    """How far households differ, on the logit of discriminating."""

    sd: float | None
    low: float | None
    high: float | None
    p_value: float | None


class Fit(Block):
    """The fitted model behind the mean."""

    model: str
    mu: float | None
    tau: float | None
    log_likelihood: float | None
    mean_correct: Estimate


class AnyTime(Block):
    """Evidence that may be read after every new replication without inflating its error."""

    e_value: float | None
    largest_e_value: float | None
    p_value: float | None
    words: str
    exact_interval: Range = Field(description="Of the mean proportion correct, by hedged betting; exact.")
    interval: Range = Field(description="Of the mean proportion correct, any-time t on households; approximate.")


class TrialStudy(Block):
    """One study in a pool of blind trials."""

    label: str
    household: str
    method: str
    presented: int
    correct: int
    d_prime: Estimate
    proportion_discriminating: Estimate


class TrialStudyOfRecord(TrialStudy):
    """One replication's blind trials in the pool."""

    replication: str
    sealed: bool
    registered: bool
    flags: list[str]


class LeftOut(Block):
    """The pool without one household: the headline estimate, and the evidence."""

    label: str
    household: str
    estimate: float | None
    low: float | None
    high: float | None
    p_value: float
    e_value: float


class TrialsSubset(Block):
    """The same pool over other rows: does the answer hang on which are counted?"""

    households: int
    presentations: int
    correct: int
    p_value: float | None
    e_value: float | None
    proportion_discriminating: Estimate
    verdict: str


class TrialsRobustness(Block):
    """The pool seen through stricter or looser eyes."""

    sealed_only: TrialsSubset
    sealed_or_registered_only: TrialsSubset
    registered_only: TrialsSubset
    vouched_only: TrialsSubset
    conditions_met_only: TrialsSubset
    with_retracted: TrialsSubset
    with_outside_the_test: TrialsSubset
    silent_as_chance: TrialsSubset
    by_condition: list["ConditionSubset"]


class ConditionSubset(TrialsSubset):
    """The pool where a condition says one thing: an association, not an experiment."""

    condition: str
    value: str


class TrialsBlock(Block):
    """Blind discrimination trials of several households, pooled."""

    households: int
    presentations: int
    correct: int
    expected_by_chance: float
    nobody_can_tell: NobodyCanTell
    proportion_discriminating: Estimate
    by_method: list[MethodPool]
    d_prime: Estimate
    spread: Spread
    fit: Fit
    any_time: AnyTime
    studies: list[TrialStudy]
    leave_one_out: list[LeftOut]
    one_household_decides: bool | None
    withheld: list[Withheld]
    reading: str


class ShamTrials(Block):
    """Trials of two vessels of one arm: how often batch luck alone can be tasted."""

    households: int
    presentations: int
    correct: int
    proportion_discriminating: Estimate


class PerceivableDifference(Block):
    """Can the arms be told apart, blind?"""

    households: int
    presentations: int
    correct: int
    expected_by_chance: float
    nobody_can_tell: NobodyCanTell
    proportion_discriminating: Estimate
    by_method: list[MethodPool]
    d_prime: Estimate
    spread: Spread
    fit: Fit
    any_time: AnyTime
    studies: list[TrialStudyOfRecord]
    studies_total: int
    leave_one_out: list[LeftOut]
    one_household_decides: bool | None
    smallest_difference_that_matters: float
    verdict: str
    sham: ShamTrials | None
    outside_the_test: dict[str, int] = Field(description="Trials kept out of the test and the estimates, by reason.")
    robustness: TrialsRobustness
    withheld: list[Withheld]
    reading: str


class AnyTimeMean(Block):
    """The any-time t interval of a mean, and the evidence against 0."""

    low: float | None
    high: float | None
    e_value: float | None


class NextHousehold(Block):
    """Where the next household's result is likely to fall."""

    low: float | None
    high: float | None
    convention: str


class SignCount(Block):
    """How many households went each way."""

    lower: int
    higher: int
    equal: int
    p_value: float | None


class MeasuredSubset(Block):
    """The same mean over other rows."""

    households: int
    estimate: float | None
    low: float | None = Field(description="Of the any-time interval.")
    high: float | None
    verdict: str


class MeasuredLeftOut(Block):
    """The mean without one household."""

    household: str
    estimate: float | None
    low: float | None
    high: float | None


class MeasuredRobustness(Block):
    """The mean seen through stricter or looser eyes."""

    registered_only: MeasuredSubset
    vouched_only: MeasuredSubset
    conditions_met_only: MeasuredSubset
    with_retracted: MeasuredSubset
    silent_as_zero: MeasuredSubset
    leave_one_out: list[MeasuredLeftOut]
    one_household_decides: bool | None


class MeasuredStudy(Block):
    """One replication's measured difference."""

    replication: str
    household: str
    difference: float
    control_value: float | None
    treatment_value: float | None
    registered: bool
    flags: list[str]


class Measured(Block):
    """A measured outcome: treatment less control, averaged over households."""

    unit: str
    scale: str = Field(description="`difference`, or `log_ratio` for the logarithm of treatment over control.")
    households: int
    estimate: float | None
    low: float | None = Field(description="Of Student's interval, as if the number of households had been fixed.")
    high: float | None
    standard_error: float | None
    p_value: float | None
    any_time: AnyTimeMean
    next_household: NextHousehold
    sd_between_households: float | None
    reading_sd: float | None = Field(description="What the instruments alone explain of a household's difference.")
    sign_count: SignCount
    studies: list[MeasuredStudy]
    studies_total: int
    robustness: MeasuredRobustness
    primary: bool
    smallest_difference_that_matters: float | None
    verdict: str
    withheld: list[Withheld]
    reading: str
