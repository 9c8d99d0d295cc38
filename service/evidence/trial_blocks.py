"""Can the arms be told apart, blind: the shapes of that part of an answer."""

from pydantic import Field

from service.evidence.blocks import Block, Estimate, Figure, Range, TrialStudyOfRecord, Withheld


class NobodyCanTell(Block):
    """The exact test of "nobody, anywhere, can tell"."""

    p_value: Figure


class MethodPool(Block):
    """The counts of one test method."""

    method: str
    households: int
    presentations: int
    correct: int
    proportion_discriminating: Estimate


class Spread(Block):
    """How far households differ, on the logit of discriminating."""

    sd: Figure
    low: Figure
    high: Figure
    p_value: Figure


class Fit(Block):
    """The fitted model behind the mean."""

    model: str
    mu: Figure
    tau: Figure
    log_likelihood: Figure
    mean_correct: Estimate


class AnyTime(Block):
    """Evidence that may be read after every new replication without inflating its error."""

    e_value: Figure
    largest_e_value: Figure
    p_value: Figure
    words: str
    exact_interval: Range = Field(description="Of the mean proportion correct, by hedged betting; exact.")
    interval: Range = Field(description="Of the mean proportion correct, any-time t on households; approximate.")


class LeftOut(Block):
    """The pool without one household: the headline estimate, and the evidence."""

    label: str
    household: str
    estimate: Figure
    low: Figure
    high: Figure
    p_value: Figure
    e_value: Figure


class TrialsSubset(Block):
    """The same pool over other rows: does the answer hang on which are counted?"""

    households: int
    presentations: int
    correct: int
    p_value: Figure
    e_value: Figure
    proportion_discriminating: Estimate = Field(
        description="The plain mean over households, with the any-time interval that decides the verdict."
    )
    verdict: str


class ConditionSubset(TrialsSubset):
    """The pool where a condition says one thing: an association, not an experiment."""

    condition: str
    value: str


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
    without_any_two: bool | None = Field(
        description="Whether the answer stays whichever two households are left out; null where too few are there."
    )
    by_condition: list[ConditionSubset]


class ShamTrials(Block):
    """Trials of two vessels of one arm: how often batch luck alone can be tasted."""

    households: int
    presentations: int
    correct: int
    p_value: Figure
    proportion_discriminating: Estimate
    reading: str


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
    primary: bool
    sham: ShamTrials | None
    outside_the_test: dict[str, int] = Field(description="Trials kept out of the test and the estimates, by reason.")
    robustness: TrialsRobustness
    withheld: list[Withheld]
    reading: str
