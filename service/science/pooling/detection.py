"""What households' blind trials show together: whether anyone can tell, and how many servings are truly told apart."""

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from service.science import binomial, trial_columns
from service.science.errors import InputError
from service.science.pooling.collapse import collapse, rates_of
from service.science.pooling.fitting import MeanFit, fit, refit_means
from service.science.pooling.floor_mixture import FloorMixture
from service.science.pooling.maximum import Top
from service.science.pooling.results import NOTHING, Estimate, Withheld

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FLOOR_MODEL = "guessing_floor_logit_normal"
POOLED = "pooled_binomial"

Boundary = Literal["at_chance", "all_correct", "ridge", "single_presentations", "few_households"]

_LN10 = math.log(10.0)
_SMALLEST = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True, slots=True)
class CommonNull:
    """Households' counts set against "nobody can tell": every household guesses.

    `log10_p_value` goes on where the p-value leaves the range of a double.
    """

    correct: int
    presented: int
    expected_by_chance: float
    p_value: float
    log10_p_value: float
    lower_tail_p_value: float


@dataclass(frozen=True, slots=True)
class Spread:
    """The standard deviation between households, on the logit of discriminating, with its profile interval.

    `p_value` is of no spread at all: half a chi-square with one degree of freedom (Self & Liang 1987).
    """

    sd: float | None
    low: float | None
    high: float | None
    p_value: float | None


NO_SPREAD = Spread(None, None, None, None)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fit to start from where little changes: the likelihood with its maximum, and how far it falls to the ends."""

    mixture: FloorMixture
    mean: MeanFit
    fall: float


@dataclass(frozen=True, slots=True)
class FloorModel:
    """How often households answer rightly on average, and how far they differ.

    `boundary` names the edge of the model that the data lie on, if any. `below_chance` says that the pool is clearly
    below guessing (lower tail under .01), which none of the models explains.
    """

    model: str
    households: int
    mu: float | None
    tau: float | None
    log_likelihood: float | None
    mean_correct: Estimate
    proportion_discriminating: Estimate
    spread: Spread
    boundary: Boundary | None
    below_chance: bool
    withheld: tuple[Withheld, ...]
    fitted: Fitted | None = field(default=None, compare=False, repr=False)


def common_null(correct: npt.ArrayLike, presented: npt.ArrayLike, guess: npt.ArrayLike) -> CommonNull:
    """Test "nobody can tell" on households' total, exactly, whatever the spread would have been.

    Parameters
    ----------
    correct, presented : array of int
        One count for each row; empty arrays give a p-value of 1.
    guess : float or array
        Guess probability of each row's method.

    Returns
    -------
    CommonNull
        One-sided, upper. With several guess probabilities the total's distribution is their convolution.

    Raises
    ------
    InputError
        For counts that are not whole or do not agree, or a guess probability outside 0 to 1.

    References
    ----------
    Exact binomial upper tail (ISO 4120, ISO 10399); under the null every row is binomial, so that their sum is exact.

    """
    return null_of(*_checked(correct, presented, guess))


def null_of(x: IntArray, n: IntArray, g: FloatArray) -> CommonNull:
    """Give `common_null` of counts that were checked."""
    rates, kind = rates_of(g)
    served = [int(each) for each in np.bincount(kind, n, len(rates)).tolist()]
    total, right = int(n.sum()), int(x.sum())
    log_p = _log_tail(right, served, rates.tolist())
    return CommonNull(
        correct=right,
        presented=total,
        expected_by_chance=float(n @ g),
        p_value=max(math.exp(log_p), _SMALLEST),
        log10_p_value=log_p / _LN10,
        lower_tail_p_value=max(math.exp(_log_tail(total - right, served, (1.0 - rates).tolist())), _SMALLEST),
    )


def _log_tail(at_least: int, trials: list[int], rates: list[float]) -> float:
    """Compute log P(sum of independent binomials >= at_least)."""
    if at_least <= 0:
        return 0.0
    if len(trials) == 1:
        return float(binomial.log_upper_tail(float(at_least), float(trials[0]), rates[0]))
    # The longest binomial gives its tail in closed form; the others are convolved in logarithms.
    order = np.argsort(trials)
    *others, last = order.tolist()
    log_mass = np.zeros(1)
    for i in others:
        j = np.arange(trials[i] + 1.0)
        log_choose = special.gammaln(trials[i] + 1.0) - special.gammaln(j + 1.0) - special.gammaln(trials[i] - j + 1.0)
        log_mass = _log_convolve(
            log_mass, log_choose + j * math.log(rates[i]) + (trials[i] - j) * math.log1p(-rates[i])
        )
    needed = at_least - np.arange(len(log_mass), dtype=np.float64)
    possible = needed <= trials[last]
    needed = np.clip(needed[possible], 0.0, trials[last])
    tails = binomial.log_upper_tail(needed, float(trials[last]), rates[last])
    return min(0.0, float(special.logsumexp(log_mass[possible] + tails)))


def _log_convolve(a: FloatArray, b: FloatArray) -> FloatArray:
    short, long = (a, b) if len(a) <= len(b) else (b, a)
    out = np.full(len(a) + len(b) - 1, -np.inf)
    for shift, value in enumerate(short.tolist()):
        part = out[shift : shift + len(long)]
        np.logaddexp(part, long + value, out=part)
    return out


def floor_model(correct: npt.ArrayLike, presented: npt.ArrayLike, guess: float, confidence: float = 0.95) -> FloorModel:
    """Estimate the mean proportion correct over households that differ, none of them below guessing.

    Parameters
    ----------
    correct, presented : array of int
        One count for each household, its rows merged.
    guess : float
        Guess probability of the method, 0 to 1; 0 gives the ordinary logistic-normal model.
    confidence : float
        Of the profile-likelihood intervals, 0.5 to 0.9999.

    Returns
    -------
    FloorModel
        Below five households and where everyone tasted once the spread is not identified: the mean then comes from the
        pool, with the wider of the households' t and the exact binomial range (three or four households) or the exact
        range alone (one household, or single tastings); two households get no range.

    Raises
    ------
    InputError
        For counts that are not whole or do not agree, a guess probability or a confidence out of range.

    References
    ----------
    x ~ Binomial(n, p), p = g + (1 - g) expit(mu + tau z), z ~ N(0, 1), by maximum likelihood; E[p] by profile
    likelihood over tau with mu solved; tau = 0 by Self & Liang 1987 JASA 82:605. Quadrature: Trefethen & Weideman 2014.

    """
    x, n, _ = _checked(correct, presented, guess)
    level = float(trial_columns.confidence_level(confidence))
    k = len(x)
    served, right = int(n.sum()), int(x.sum())
    below = k > 0 and guess > 0.0 and bool(binomial.lower_tail(float(right), float(served), guess) < 0.01)
    if k < 5 or int(n.max()) == 1:
        return _pooled(x, n, guess, level, below=below)
    return _fitted(x, n, guess, level, below=below)


def discriminating(mean_correct: Estimate, guess: float) -> Estimate:
    """Map proportions correct to proportions discriminating, floored at 0 (ISO 4120)."""

    def share(p: float | None) -> float | None:
        return None if p is None else min(max((p - guess) / (1.0 - guess), 0.0), 1.0)

    return Estimate(share(mean_correct.estimate), share(mean_correct.low), share(mean_correct.high))


def _pooled(x: IntArray, n: IntArray, guess: float, level: float, *, below: bool) -> FloorModel:
    k = len(x)
    if k == 0:
        reason = "no household has reported yet"
        absent = tuple(Withheld(output, reason) for output in ("proportion_discriminating", "fit", "spread"))
        return FloorModel(
            POOLED, 0, None, None, None, NOTHING, NOTHING, NO_SPREAD, boundary=None, below_chance=False, withheld=absent
        )
    served, right = float(n.sum()), float(x.sum())
    share = right / served
    exact_low, exact_high = (float(end) for end in binomial.clopper_pearson(right, served, level))
    single = k >= 5
    boundary: Boundary = "single_presentations" if single else "few_households"
    why = "every household tasted once, which can't show how households differ" if single else _few(k)
    withheld = [Withheld("spread", why)]
    low: float | None = exact_low
    high: float | None = exact_high
    if k == 2:
        low = high = None
        withheld.append(Withheld("proportion_discriminating.low, proportion_discriminating.high", _few(k)))
    elif k in {3, 4}:
        shares = x / n
        half = float(special.stdtrit(k - 1, 0.5 + 0.5 * level)) * float(np.std(shares, ddof=1)) / math.sqrt(k)
        centre = float(np.mean(shares))
        low, high = max(0.0, min(exact_low, centre - half)), min(1.0, max(exact_high, centre + half))
    mean = Estimate(share, low, high)
    floor = max(share, guess)
    log_choose = special.gammaln(n + 1.0) - special.gammaln(x + 1.0) - special.gammaln(n - x + 1.0)
    value = float(np.sum(log_choose + special.xlogy(x, floor) + special.xlog1py(n - x, -floor)))
    return FloorModel(
        POOLED, k, None, None, value, mean, discriminating(mean, guess), NO_SPREAD, boundary, below, tuple(withheld)
    )


def _few(k: int) -> str:
    if k == 1:
        return "one household, whose range is about its own tastings alone: 5 are needed to say how households vary"
    return f"{k} households: too early to say how households vary; 5 are needed"


def _fitted(x: IntArray, n: IntArray, guess: float, level: float, *, below: bool) -> FloorModel:
    mixture = FloorMixture(collapse(x, n), guess)
    fitted = fit(mixture, drop(level))
    top = fitted.mean.top
    mean = Estimate(top.mean, fitted.mean.low.value, fitted.mean.high.value)
    boundary = _boundary(mixture, top)
    withheld: list[Withheld] = []
    spread = NO_SPREAD
    mu: float | None = top.mu
    tau: float | None = top.tau
    if boundary is not None:
        mu = tau = None
        withheld.append(Withheld("spread", _WHY[boundary]))
    elif float(np.median(n)) < 4.0:
        mu = tau = None
        why = "half the households tasted fewer than four times, too few to show how households differ"
        withheld.append(Withheld("spread", why))
    else:
        statistic = max(0.0, 2.0 * (top.log_likelihood - float(top.log_likelihoods[0])))
        p_value = 0.5 * float(special.chdtrc(1.0, statistic)) if top.tau > 0.0 else 1.0
        spread = Spread(top.tau, fitted.tau_low.value, fitted.tau_high.value, max(p_value, _SMALLEST))
    return FloorModel(
        FLOOR_MODEL,
        len(x),
        mu,
        tau,
        top.log_likelihood,
        _within(mean),
        discriminating(mean, guess),
        spread,
        boundary,
        below,
        tuple(withheld),
        Fitted(mixture, fitted.mean, drop(level)),
    )


def floor_estimates_without(
    correct: IntArray, presented: IntArray, guess: float, confidence: float, whole: Fitted | None = None
) -> tuple[Estimate, ...]:
    """Estimate the mean proportion discriminating without each household in turn.

    Parameters
    ----------
    correct, presented, guess, confidence
        As in `floor_model`, checked.
    whole : Fitted, optional
        What `floor_model` fitted to them, where that is known.

    Returns
    -------
    tuple of Estimate
        One for each household; equal households are refitted once.

    """
    if len(correct) < 6 or int(presented.max()) == 1:
        kept = (np.delete(np.arange(len(correct)), i) for i in range(len(correct)))
        fits = (floor_model(correct[rest], presented[rest], guess, confidence) for rest in kept)
        return tuple(fit.proportion_discriminating for fit in fits)
    whole = floor_model(correct, presented, guess, confidence).fitted if whole is None else whole
    if whole is None:
        raise AssertionError("six households with several tastings are fitted")
    distinct = whole.mixture.distinct
    rests = [whole.mixture.without([row]) for row in range(len(distinct.times))]
    refits = refit_means(rests, whole.mean, whole.fall)
    means = (_within(Estimate(each.top.mean, each.low.value, each.high.value)) for each in refits)
    estimates = [discriminating(mean, guess) for mean in means]
    return tuple(estimates[place] for place in distinct.place.tolist())


_WHY = {
    "at_chance": "the pool is at or below guessing, where households that all guess can't differ",
    "all_correct": "every answer was right, so that no household can be told from another",
    "ridge": "households fall into those that always tell and those that guess: the spread has no finite value",
}


def drop(confidence: float) -> float:
    """Give how far the log-likelihood falls from its top to a profile interval's ends."""
    return 0.5 * float(special.ndtri(0.5 + 0.5 * confidence)) ** 2


def _boundary(mixture: FloorMixture, top: Top) -> Boundary | None:
    if mixture.pooled == 1.0:
        return "all_correct"
    if top.mean <= mixture.guess + 1e-12:
        return "at_chance"
    return "ridge" if top.tau == math.inf else None


def _within(mean: Estimate) -> Estimate:
    """Take rounding off the ends."""
    return Estimate(*(None if p is None else min(max(p, 0.0), 1.0) for p in (mean.estimate, mean.low, mean.high)))


def _checked(
    correct: npt.ArrayLike, presented: npt.ArrayLike, guess: npt.ArrayLike
) -> tuple[IntArray, IntArray, FloatArray]:
    n, x = trial_columns.counts(np.atleast_1d(np.asarray(presented)), np.atleast_1d(np.asarray(correct)))
    if n.shape != x.shape:
        raise InputError("presented", "must have one number for each number correct")
    g = np.asarray(guess, dtype=np.float64)
    good = (g >= 0.0) & (g < 1.0)
    if not good.all():
        raise InputError("guess", "must be 0 or more and below 1", trial_columns.first_false(good))
    return x.astype(np.int64), n.astype(np.int64), np.broadcast_to(g, x.shape)
