"""What stands beside the trials and the measurements: liking, words, and dryness."""

from pydantic import Field

from service.evidence.blocks import AnyTimeMean, Block, Estimate, Figure, Range, Withheld


class PreferenceStudy(Block):
    """One replication's preferences."""

    replication: str
    household: str
    control: int
    treatment: int
    neither: int
    registered: bool
    flags: list[str]


class PreferencePooled(Block):
    """All answers thrown together: a description only, because answers of one household are not independent."""

    p_value: Figure = Field(description="Two-sided, exact.")
    share_preferring_treatment: Estimate


class PreferenceSigns(Block):
    """How many households leaned each way."""

    control: int
    treatment: int
    even: int
    p_value: Figure


class Preference(Block):
    """Which arm is liked better, blind: the mean over households of the share that prefers the treatment."""

    households: int = Field(description="With at least one preference; answers without one stand outside.")
    presented: int
    preferred_control: int
    preferred_treatment: int
    no_preference: int
    share_preferring_treatment: Estimate = Field(description="Mean over households, with Student's interval.")
    any_time: AnyTimeMean = Field(description="Of the mean share; the e-value speaks against one half. Approximate.")
    exact_interval: Range = Field(description="Of the mean share, by hedged betting; exact at every look.")
    sd_between_households: Figure
    sign_count: PreferenceSigns
    pooled: PreferencePooled
    studies: list[PreferenceStudy]
    studies_total: int
    outside_the_test: dict[str, int]
    primary: bool
    smallest_difference_that_matters: Figure = Field(description="As a distance of the share from one half.")
    verdict: str
    withheld: list[Withheld]
    reading: str


class Descriptor(Block):
    """One word, over all pairs of glasses that it was asked about."""

    term: str
    households: int
    pairs: int
    both: int
    only_control: int
    only_treatment: int
    neither: int
    p_value: Figure = Field(description="Exact McNemar over pooled pairs; those of one household are not independent.")
    adjusted_p_value: Figure = Field(description="Holm, over all words.")
    difference: Estimate = Field(description="Share of pairs in which it fits the treatment, less the control.")
    households_more_control: int
    households_more_treatment: int
    reading: str


class DrynessPairs(Block):
    """Households by which of their arms finished dry."""

    both: int
    only_control: int
    only_treatment: int
    neither: int


class DrynessSubset(DrynessPairs):
    """The same over other rows."""

    households: int
    any_time_e_value: Figure


class DrynessRobustness(Block):
    """The pairs seen through stricter or looser eyes."""

    registered_only: DrynessSubset
    vouched_only: DrynessSubset
    conditions_met_only: DrynessSubset
    with_retracted: DrynessSubset
    silent_as_no_difference: DrynessSubset


class FinishedDry(Block):
    """Whether the arms finished dry equally often: one pair a household."""

    households: int
    pairs: DrynessPairs
    p_value: Figure = Field(description="McNemar, mid-p.")
    exact_p_value: Figure
    risk_difference: Estimate = Field(description="Share that finished dry, treatment less control; Tango's interval.")
    conditional_odds_ratio: Estimate = Field(description="Of finishing dry, treatment over control.")
    any_time_e_value: Figure
    robustness: DrynessRobustness
    primary: bool
    withheld: list[Withheld]
    reading: str
