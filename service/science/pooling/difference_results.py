"""What goes into a pool of differences and what comes out of it."""

from dataclasses import dataclass
from typing import Literal

from service.science.pooling.results import NOTHING, Estimate, Withheld
from service.science.pooling.verdict import Verdict

Estimator = Literal["reml", "paule_mandel", "dersimonian_laird", "maximum_likelihood", "common", "household_mean"]
IntervalName = Literal["hartung_knapp_modified", "hartung_knapp", "wald", "student"]


@dataclass(frozen=True, slots=True)
class DifferenceStudy:
    """One row: a household's difference, treatment less control. A missing household is a household of its own.

    `standard_error` is that of the reading, in the difference's unit; `moderator` a number and `group` a name that the
    household shares with others.
    """

    label: str
    difference: float
    household: str | None = None
    standard_error: float | None = None
    moderator: float | None = None
    group: str | None = None


@dataclass(frozen=True, slots=True)
class AnyTimeMean:
    """The any-time t interval of the mean over households, and the evidence against a mean of 0."""

    low: float | None
    high: float | None
    e_value: float | None


@dataclass(frozen=True, slots=True)
class NextHousehold:
    """Where the next household's observed difference should fall, by a named convention."""

    low: float | None
    high: float | None
    convention: str | None
    rough: bool


@dataclass(frozen=True, slots=True)
class CochranQ:
    """Cochran's Q (1954) about the common-effect mean."""

    value: float | None
    degrees_of_freedom: int | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class SignCount:
    """How many households went each way, with the exact two-sided binomial p-value of an even split."""

    lower: int
    higher: int
    equal: int
    p_value: float


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A regression coefficient with its Hartung-Knapp interval."""

    estimate: float | None
    standard_error: float | None
    low: float | None
    high: float | None
    p_value: float | None


NO_COEFFICIENT = Coefficient(None, None, None, None, None)


@dataclass(frozen=True, slots=True)
class Moderator:
    """An association of the difference with one number, between households; not an experiment.

    `r2_percent` is the share of tau2 that it accounts for, on the same rows; None where there was none.
    """

    slope: Coefficient
    intercept: Coefficient
    tau2: float | None
    households: int
    degrees_of_freedom: int | None
    r2_percent: float | None


@dataclass(frozen=True, slots=True)
class Subgroup:
    """One group's mean under the tau2 that all groups share."""

    group: str
    households: int
    estimate: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Subgroups:
    """Groups of households under one common tau2, and the F test between them (Knapp & Hartung 2003)."""

    groups: tuple[Subgroup, ...]
    tau2: float | None
    f: float | None
    degrees_of_freedom_between: int | None
    degrees_of_freedom_within: int | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class SmallStudy:
    """Egger's regression (1997): its intercept is the asymmetry of small studies."""

    intercept: float | None
    standard_error: float | None
    p_value: float | None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """The pool without one household."""

    label: str
    estimate: float
    low: float | None
    high: float | None
    tau2: float | None


@dataclass(frozen=True, slots=True)
class Cumulative:
    """The pool of the first households, in order of receipt, up to and with one."""

    label: str
    households: int
    estimate: float
    low: float | None
    high: float | None
    tau2: float | None


@dataclass(frozen=True, slots=True)
class DifferenceRobustness:
    """How far the answer hangs on single households."""

    leave_one_out: tuple[LeftOut, ...]
    cumulative: tuple[Cumulative, ...]
    one_household_decides: bool


NO_MODERATOR = Moderator(NO_COEFFICIENT, NO_COEFFICIENT, None, 0, None, None)
NO_SUBGROUPS = Subgroups((), None, None, None, None, None)
NO_SMALL_STUDY = SmallStudy(None, None, None)
NO_Q = CochranQ(None, None, None)


@dataclass(frozen=True, slots=True)
class PooledDifferences:
    """Differences pooled over households, each household one number.

    `low` and `high` are the fixed-time interval, "if we had planned to stop at this count"; `any_time` alone decides
    the verdict. `mean_of_households` is the plain mean, whatever the estimator; `sd_between_households` the spread of
    their results, batch luck included; `reading_sd` the root mean square of the standard errors given.
    `weights_percent` are per household, in order of receipt.
    """

    households: int
    rows: int
    estimator: Estimator
    interval: IntervalName
    estimate: float | None
    standard_error: float | None
    low: float | None
    high: float | None
    degrees_of_freedom: int | None
    p_value: float | None
    any_time: AnyTimeMean
    next_household: NextHousehold
    mean_of_households: float | None
    sd_between_households: float | None
    reading_sd: float | None
    sign_count: SignCount
    weights_percent: tuple[float, ...]
    robustness: DifferenceRobustness
    verdict: Verdict | None
    identical: bool
    withheld: tuple[Withheld, ...]
    reading: str
    tau2: Estimate = NOTHING
    q: CochranQ = NO_Q
    i2_percent: float | None = None
    i2_tau2_percent: float | None = None
    h2: float | None = None
    log_likelihood: float | None = None
    moderator: Moderator = NO_MODERATOR
    subgroups: Subgroups = NO_SUBGROUPS
    small_study: SmallStudy = NO_SMALL_STUDY
