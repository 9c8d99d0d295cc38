"""Exact binomial tails, limits and counts, for floats and arrays alike, with logarithms where tails underflow."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from service.science import single_binomial
from service.science.single_binomial import SMALLEST_TAIL, TIE

if TYPE_CHECKING:
    from service.science.checks import FloatArray


def upper_tail(count: float | FloatArray, trials: float | FloatArray, probability: float | FloatArray) -> FloatArray:
    """Compute P(X >= count), X ~ Bin(trials, probability); 1 for a count of 0 or less, 0 beyond `trials`."""
    if np.ndim(count) == np.ndim(trials) == 0:
        # A choice between arrays would cost more than the tail.
        if count <= 0 or count > trials:
            return np.full(np.shape(probability), float(count <= 0))
        return np.asarray(special.betainc(count, trials - count + 1.0, probability))
    within = np.minimum(np.maximum(count, 1.0), trials)
    tail = special.betainc(within, trials - within + 1.0, probability)
    return np.asarray(np.maximum(tail * (count <= trials), count <= 0))


def lower_tail(count: float | FloatArray, trials: float | FloatArray, probability: float | FloatArray) -> FloatArray:
    """Compute P(X <= count), X ~ Bin(trials, probability)."""
    return upper_tail(trials - count, trials, 1.0 - probability)


def log_upper_tail(
    count: float | FloatArray, trials: float | FloatArray, probability: float | FloatArray
) -> FloatArray:
    """Compute the natural logarithm of P(X >= count) for 0 <= count <= trials, also where the tail underflows."""
    if np.ndim(count) == np.ndim(trials) == np.ndim(probability) == 0:
        return np.asarray(single_binomial.log_upper_tail(float(count), float(trials), float(probability)))
    return _logarithm_of(upper_tail(count, trials, probability), count, trials, probability)


def _logarithm_of(
    tail: FloatArray, count: float | FloatArray, trials: float | FloatArray, probability: float | FloatArray
) -> FloatArray:
    """Take the logarithm of an upper tail, and sum it anew where it is too small for a double."""
    small = tail < SMALLEST_TAIL
    if not small.any():
        return np.asarray(np.log(tail))
    k, n, p = (np.asarray(a, dtype=np.float64) for a in np.broadcast_arrays(count, trials, probability))
    near = np.log(np.maximum(tail, SMALLEST_TAIL))
    return np.asarray(np.where(small, _log_far_tail(np.where(small, k, n), n, p), near))


def _log_far_tail(k: FloatArray, n: FloatArray, p: FloatArray) -> FloatArray:
    """Sum the tail from its first term: far out each term is a fixed share smaller than the one before."""
    first = (
        special.gammaln(n + 1.0)
        - special.gammaln(k + 1.0)
        - special.gammaln(n - k + 1.0)
        + special.xlogy(k, p)
        + special.xlog1py(n - k, -p)
    )
    odds = p / (1.0 - p)
    term = np.ones_like(first)
    total = np.ones_like(first)
    place = k.copy()
    while np.any(term > 1e-17 * total):
        term = term * np.maximum(n - place, 0.0) / (place + 1.0) * odds
        total = total + term
        place = place + 1.0
    return np.asarray(first + np.log(total))


def clopper_pearson(
    count: float | FloatArray, trials: float | FloatArray, confidence: float | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Compute the exact two-sided limits of a binomial proportion (Clopper & Pearson 1934)."""
    tail = 0.5 * (1.0 - confidence)
    return lower_limit(count, trials, tail), upper_limit(count, trials, tail)


def lower_limit(count: float | FloatArray, trials: float | FloatArray, tail: float | FloatArray) -> FloatArray:
    """Solve P(X >= count | p) = tail for p; 0 at a count of 0."""
    if np.ndim(count) == np.ndim(trials) == 0 < count:
        return np.asarray(special.betaincinv(count, trials - count + 1.0, tail))
    some = np.maximum(count, 1.0)
    return np.where(count <= 0, 0.0, special.betaincinv(some, trials - some + 1.0, tail))


def upper_limit(count: float | FloatArray, trials: float | FloatArray, tail: float | FloatArray) -> FloatArray:
    """Solve P(X <= count | p) = tail for p; 1 where every trial counted."""
    if np.ndim(count) == np.ndim(trials) == 0 < trials - count:
        return np.asarray(special.betainccinv(count + 1.0, trials - count, tail))
    missed = np.maximum(trials - count, 1.0)
    return np.where(count >= trials, 1.0, special.betainccinv(trials - missed + 1.0, missed, tail))


def fewest_count(trials: FloatArray, probability: FloatArray, tail: FloatArray) -> FloatArray:
    """Find the smallest count with P(X >= count) <= tail, elementwise; `trials` + 1 where not even all of them do."""
    if np.ndim(trials) == np.ndim(probability) == np.ndim(tail) == 0:
        return np.asarray(single_binomial.fewest_count(float(trials), float(probability), float(tail)))
    n, p, limit = np.broadcast_arrays(trials, probability, tail)
    z = -special.ndtri(limit)
    # The Cornish-Fisher start is off by a count or two, which the exact tail then settles.
    start = n * p + z * np.sqrt(n * p * (1.0 - p)) + (1.0 - 2.0 * p) * (z * z - 1.0) / 6.0
    count = np.clip(np.ceil(start), 0.0, n + 1.0)
    while np.any(high := (count <= n) & (upper_tail(count, n, p) > limit * TIE)):
        count = count + high
    while np.any(low := (count > 0) & (upper_tail(count - 1.0, n, p) <= limit * TIE)):
        count = count - low
    return np.asarray(count)


def log_mixture_e_value(
    count: float | FloatArray, trials: float | FloatArray, probability: float | FloatArray
) -> FloatArray:
    """Compute the logarithm of the e-value of a uniform mixture on (probability, 1) against `probability`.

    E = B(x + 1, n - x + 1) (1 - I_p(x + 1, n - x + 1)) / ((1 - p) p^x (1 - p)^(n - x)): a martingale when the null is
    true, so that it may be read after every trial (Ville 1939; Ramdas, Grunwald, Vovk & Shafer, arXiv 2210.01948).
    """
    x, n, p = count, trials, probability
    right, wrong = x + 1.0, n - x + 1.0
    # 1 - I_p(x + 1, n - x + 1), which is the chance of x or fewer in n + 1 trials.
    above = _logarithm_of(special.betainc(wrong, right, 1.0 - p), wrong, n + 1.0, 1.0 - p)
    return np.asarray(special.betaln(right, wrong) + above - x * np.log(p) - wrong * np.log1p(-p))


def e_value_from_log(logarithm: FloatArray) -> FloatArray:
    """Exponentiate, holding at the largest double, so that overwhelming evidence stays a number."""
    return np.exp(np.minimum(logarithm, math.log(np.finfo(np.float64).max)))
