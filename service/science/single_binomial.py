"""What `binomial` gives for arrays, for one trial as floats: shapes cost more than these sums.

Logarithms are numpy's, so that one trial and a column of them hardly ever differ in the last digit.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

# Tails below this are summed in logarithms, well before doubles lose digits.
SMALLEST_TAIL = 1e-280

TIE = 1.0 + 1e-12
"""A tail that equals its limit in exact arithmetic must not miss it by rounding."""

_LARGEST_LOG = math.log(1.7976931348623157e308)


def upper_tail(count: float, trials: float, probability: float) -> float:
    """Compute P(X >= count), X ~ Bin(trials, probability); 1 for a count of 0 or less, 0 beyond `trials`."""
    if count <= 0.0 or count > trials:
        return float(count <= 0.0)
    return float(special.betainc(count, trials - count + 1.0, probability))


def lower_tail(count: float, trials: float, probability: float) -> float:
    """Compute P(X <= count), X ~ Bin(trials, probability)."""
    return upper_tail(trials - count, trials, 1.0 - probability)


def log_upper_tail(count: float, trials: float, probability: float) -> float:
    """Compute the natural logarithm of P(X >= count) for 0 <= count <= trials, also where the tail underflows."""
    tail = upper_tail(count, trials, probability)
    return float(np.log(tail)) if tail >= SMALLEST_TAIL else _log_far_tail(count, trials, probability)


def _log_far_tail(k: float, n: float, p: float) -> float:
    """Sum the tail from its first term: far out each term is a fixed share smaller than the one before."""
    if p <= 0.0:
        return -math.inf
    log_choose = math.lgamma(n + 1.0) - math.lgamma(k + 1.0) - math.lgamma(n - k + 1.0)
    first = log_choose + k * math.log(p) + (n - k) * math.log1p(-p)
    odds = p / (1.0 - p)
    term = total = 1.0
    place = k
    while term > 1e-17 * total:
        term *= max(n - place, 0.0) / (place + 1.0) * odds
        total += term
        place += 1.0
    return first + math.log(total)


def lower_limit(count: float, trials: float, tail: float) -> float:
    """Solve P(X >= count | p) = tail for p; 0 at a count of 0."""
    return float(special.betaincinv(count, trials - count + 1.0, tail)) if count > 0.0 else 0.0


def upper_limit(count: float, trials: float, tail: float) -> float:
    """Solve P(X <= count | p) = tail for p; 1 where every trial counted."""
    return float(special.betainccinv(count + 1.0, trials - count, tail)) if count < trials else 1.0


@lru_cache(maxsize=8192)
def fewest_count(trials: float, probability: float, tail: float) -> float:
    """Find the smallest count with P(X >= count) <= tail, remembered; `trials` + 1 where not even all of them do."""

    def passes(count: float) -> bool:
        return bool(special.betainc(count, trials - count + 1.0, probability) <= tail * TIE)

    z = -float(special.ndtri(tail))
    spread = trials * probability * (1.0 - probability)
    # The Cornish-Fisher start is off by a count or two, which the exact tail then settles.
    start = trials * probability + z * math.sqrt(spread) + (1.0 - 2.0 * probability) * (z * z - 1.0) / 6.0
    count = float(min(max(math.ceil(start), 1), trials + 1.0))
    while count <= trials and not passes(count):
        count += 1.0
    while count > 1.0 and passes(count - 1.0):
        count -= 1.0
    return count


def log_mixture_e_value(count: float, trials: float, probability: float) -> float:
    """Compute the logarithm of the e-value of a uniform mixture on (probability, 1) against `probability`."""
    missed = trials - count + 1.0
    above = log_upper_tail(missed, trials + 1.0, 1.0 - probability)
    beta = float(special.betaln(count + 1.0, missed))
    return float(beta + above - count * np.log(probability) - missed * np.log1p(-probability))


def e_value_from_log(logarithm: float) -> float:
    """Exponentiate, holding at the largest double, so that overwhelming evidence stays a number."""
    return float(np.exp(min(logarithm, _LARGEST_LOG)))
