"""What goes into a pool of blind trials and what comes out of it."""

from dataclasses import dataclass

from service.science.pooling.any_time import AnyTime
from service.science.pooling.detection import Boundary, Spread
from service.science.pooling.results import Estimate, Withheld
from service.science.pooling.verdict import Verdict


@dataclass(frozen=True, slots=True)
class TrialStudy:
    """One row: the answers of a household's trial. A missing household is a household of its own."""

    label: str
    method: str
    presented: int
    correct: int
    household: str | None = None


@dataclass(frozen=True, slots=True)
class NobodyCanTell:
    """The exact test that every household guesses."""

    p_value: float
    log10_p_value: float


@dataclass(frozen=True, slots=True)
class MethodPool:
    """What the households of one method show."""

    method: str
    households: int
    presentations: int
    correct: int
    proportion_discriminating: Estimate


@dataclass(frozen=True, slots=True)
class Fit:
    """The fitted model; mu and tau are None on its boundaries, `mean_correct` None with several methods."""

    model: str
    mu: float | None
    tau: float | None
    log_likelihood: float | None
    mean_correct: Estimate


@dataclass(frozen=True, slots=True)
class StudyResult:
    """One row by itself, with exact intervals."""

    label: str
    household: str
    method: str
    presented: int
    correct: int
    d_prime: Estimate
    proportion_discriminating: Estimate


@dataclass(frozen=True, slots=True)
class TrialsLeftOut:
    """The pool without one household: the headline estimate with its interval, and the evidence."""

    label: str
    household: str
    estimate: float | None
    low: float | None
    high: float | None
    p_value: float
    e_value: float


@dataclass(frozen=True, slots=True)
class PooledTrials:
    """Blind trials pooled over households.

    `proportion_discriminating` and `spread` are for one method; several methods share `d_prime`, the mean of |d'| over
    households. `below_chance` says that the pool is clearly below guessing.
    `least_e_value_without_one` is over all households, those not listed among them; None below three.
    """

    households: int
    presentations: int
    correct: int
    expected_by_chance: float
    nobody_can_tell: NobodyCanTell
    proportion_discriminating: Estimate
    by_method: tuple[MethodPool, ...]
    d_prime: Estimate
    spread: Spread
    fit: Fit
    boundary: Boundary | None
    below_chance: bool
    any_time: AnyTime
    verdict: Verdict
    studies: tuple[StudyResult, ...]
    leave_one_out: tuple[TrialsLeftOut, ...]
    least_e_value_without_one: float | None
    one_household_decides: bool
    withheld: tuple[Withheld, ...]
    reading: str
