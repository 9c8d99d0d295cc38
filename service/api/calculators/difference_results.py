"""What a pool of differences answers."""

from pydantic import Field

from service.api.calculators.results import Result
from service.evidence.blocks import AnyTimeMean, Estimate, Figure, SignCount, Withheld


class LikelyNext(Result):
    """Where the next household's difference is likely to fall; `convention` names the rule."""

    low: Figure
    high: Figure
    convention: str | None
    rough: bool = Field(description="Whether so few households make the range a rough one.")


class CochranQ(Result):
    """Cochran's Q about the common mean."""

    value: Figure
    degrees_of_freedom: int | None
    p_value: Figure


class Coefficient(Result):
    """A regression coefficient with its interval."""

    estimate: Figure
    standard_error: Figure
    low: Figure
    high: Figure
    p_value: Figure


class Moderator(Result):
    """How the difference goes with a condition between households: an association, not an experiment."""

    slope: Coefficient
    intercept: Coefficient
    tau2: Figure
    households: int
    degrees_of_freedom: int | None
    r2_percent: Figure = Field(description="Share of tau2 that the condition accounts for.")


class Subgroup(Result):
    """One group's mean."""

    group: str
    households: int
    estimate: float
    low: Figure
    high: Figure


class Subgroups(Result):
    """Groups of households under one tau2, and the F test between them."""

    groups: list[Subgroup]
    tau2: Figure
    f: Figure
    degrees_of_freedom_between: int | None
    degrees_of_freedom_within: int | None
    p_value: Figure


class SmallStudy(Result):
    """Whether small studies lean one way: the intercept of Egger's regression."""

    intercept: Figure
    standard_error: Figure
    p_value: Figure


class DifferenceLeftOut(Result):
    """The pool without one household."""

    label: str
    estimate: float
    low: Figure
    high: Figure
    tau2: Figure


class Cumulative(Result):
    """The pool of the first households, up to and with one."""

    label: str
    households: int
    estimate: float
    low: Figure
    high: Figure
    tau2: Figure


class DifferenceRobustness(Result):
    """How far the answer hangs on single households."""

    leave_one_out: list[DifferenceLeftOut]
    cumulative: list[Cumulative]
    one_household_decides: bool


class PooledDifferencesResult(Result):
    """The differences as one answer; what too few households can't support is null and stands in `withheld`."""

    households: int
    rows: int
    estimator: str
    interval: str
    estimate: Figure = Field(description="The mean difference, treatment less control.")
    standard_error: Figure
    low: Figure = Field(description="Of the range as if the number of households had been fixed beforehand.")
    high: Figure
    degrees_of_freedom: int | None
    p_value: Figure
    any_time: AnyTimeMean
    next_household: LikelyNext
    sd_between_households: Figure = Field(description="Spread of households' differences, batch luck included.")
    reading_sd: Figure = Field(description="What reading error alone explains of that.")
    tau2: Estimate = Field(description="Variance between households' true differences.")
    q: CochranQ
    i2_percent: Figure = Field(description="Share of the spread that isn't reading error, from Q.")
    i2_tau2_percent: Figure = Field(description="The same from tau2.")
    h2: Figure
    sign_count: SignCount
    weights_percent: list[float] = Field(description="Of each household, in order of receipt.")
    moderator: Moderator
    subgroups: Subgroups
    small_study: SmallStudy
    robustness: DifferenceRobustness
    verdict: str | None = Field(
        description="By the any-time interval alone; null unless a smallest difference was named."
    )
    withheld: list[Withheld]
    reading: str
