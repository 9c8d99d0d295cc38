"""Yes or no from each arm of every household: who changed, which way, and by how much."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science import binomial
from service.science.paired_difference import tango_interval, two_sided_p_value
from service.science.pooling.household_counts import number_households
from service.science.pooling.results import NOTHING, Estimate, Withheld
from service.science.trial_columns import confidence_level

_LARGEST_LOG = math.log(np.finfo(np.float64).max)
_SMALLEST = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True, slots=True)
class Pair:
    """One pair of batches: whether the thing happened in the control and in the treatment."""

    household: str | None
    control: bool
    treatment: bool


@dataclass(frozen=True, slots=True)
class PairCounts:
    """Households by what happened in which arm."""

    both: int
    only_control: int
    only_treatment: int
    neither: int

    @property
    def households(self) -> int:
        """How many there are."""
        return self.both + self.only_control + self.only_treatment + self.neither


@dataclass(frozen=True, slots=True)
class PooledPairs:
    """Pairs pooled over households; differences and odds are those of treatment against control.

    `p_value` is McNemar's mid-p, `exact_p_value` the conservative exact one. The spread between households is not
    identified with one pair each, so that none is given.
    """

    households: int
    pairs: PairCounts
    p_value: float | None
    exact_p_value: float | None
    risk_difference: Estimate
    conditional_odds_ratio: Estimate
    any_time_e_value: float
    log_any_time_e_value: float
    withheld: tuple[Withheld, ...]


def pool_pairs(pairs: Sequence[Pair], confidence: float = 0.95) -> PooledPairs:
    """Pool yes-or-no outcomes of paired batches.

    Parameters
    ----------
    pairs : sequence of Pair
        In order of receipt. A household with several pairs counts once, by the arm that came out ahead in it.
    confidence : float
        0.5 to 0.9999.

    Returns
    -------
    PooledPairs
        The odds ratio is withheld where no household changed; `high` is infinite where there is no upper limit.

    Raises
    ------
    InputError
        For a confidence out of range.

    References
    ----------
    McNemar 1947 Psychometrika 12:153, mid-p of Fagerland, Lydersen & Laake 2013 BMC Med Res Methodol 13:91; Tango 1998
    Stat Med 17:891; Clopper & Pearson 1934 on the discordant households; e-value: uniform mixture, Ville 1939.

    """
    level = float(confidence_level(confidence))
    household, _ = number_households([pair.household for pair in pairs])
    control = np.array([pair.control for pair in pairs], dtype=np.bool_)
    treatment = np.array([pair.treatment for pair in pairs], dtype=np.bool_)
    return pool_pair_counts(pair_counts(control, treatment, household), level)


def pool_pair_counts(counts: PairCounts, confidence: float = 0.95) -> PooledPairs:
    """Give `pool_pairs` of households that were counted.

    Parameters
    ----------
    counts : PairCounts
        Households, each once.
    confidence : float
        0.5 to 0.9999.

    """
    k = counts.households
    more, less = counts.only_treatment, counts.only_control
    changed = more + less
    log_e, e_value = _log_evidence(counts), any_time_evidence(counts)
    if k == 0:
        reason = "no household has reported a pair yet"
        withheld = tuple(Withheld(name, reason) for name in ("p_value", "risk_difference", "conditional_odds_ratio"))
        return PooledPairs(0, counts, None, None, NOTHING, NOTHING, e_value, log_e, withheld)
    low, high = tango_interval(np.array([float(more)]), np.array([float(less)]), np.array([float(k)]), confidence)
    fewer = np.array(float(min(more, less)))
    exact = float(two_sided_p_value(fewer, np.array(float(changed)))) if changed else 1.0
    return PooledPairs(
        households=k,
        pairs=counts,
        p_value=max(_mid_p(min(more, less), changed), _SMALLEST),
        exact_p_value=max(exact, _SMALLEST),
        risk_difference=Estimate((more - less) / k, float(low[0]), float(high[0])),
        conditional_odds_ratio=_odds_ratio(more, less, confidence),
        any_time_e_value=e_value,
        log_any_time_e_value=log_e,
        withheld=() if changed else (Withheld("conditional_odds_ratio", "no household changed"),),
    )


def any_time_evidence(counts: PairCounts) -> float:
    """Give the e-value of `pool_pair_counts` alone.

    Parameters
    ----------
    counts : PairCounts
        Households, each once.

    """
    return math.exp(min(_log_evidence(counts), _LARGEST_LOG))


def _log_evidence(counts: PairCounts) -> float:
    more, less = counts.only_treatment, counts.only_control
    return (more + less) * math.log(2.0) + float(special.betaln(1.0 + more, 1.0 + less))


def pair_counts(
    control: npt.NDArray[np.bool_], treatment: npt.NDArray[np.bool_], household: npt.NDArray[np.int64]
) -> PairCounts:
    """Count households by the arm that came out ahead in them.

    Parameters
    ----------
    control, treatment : array of bool
        Whether the thing happened in each arm, one for each pair of batches.
    household : array of int
        Each pair's household, numbered from 0.

    """
    number = int(household.max(initial=-1)) + 1
    in_control, in_treatment = np.bincount(household, control, number), np.bincount(household, treatment, number)
    level = in_control == in_treatment
    happened = in_control + in_treatment > np.bincount(household, minlength=number)
    return PairCounts(
        both=int((level & happened).sum()),
        only_control=int((in_control > in_treatment).sum()),
        only_treatment=int((in_treatment > in_control).sum()),
        neither=int((level & ~happened).sum()),
    )


def _mid_p(fewer: int, changed: int) -> float:
    if 2 * fewer == changed:
        return 1.0
    tail = float(binomial.lower_tail(float(fewer), float(changed), 0.5))
    log_choose = math.lgamma(changed + 1) - math.lgamma(fewer + 1) - math.lgamma(changed - fewer + 1)
    return min(1.0, max(2.0 * tail - math.exp(log_choose - changed * math.log(2.0)), 0.0))


def _odds_ratio(more: int, less: int, confidence: float) -> Estimate:
    if not more + less:
        return NOTHING
    low, high = binomial.clopper_pearson(float(more), float(more + less), confidence)

    def odds(share: float) -> float:
        return share / (1.0 - share) if share < 1.0 else math.inf

    return Estimate(more / less if less else math.inf, odds(float(low)), odds(float(high)))
