"""What the count of correct answers in a blind discrimination trial shows: exact, with the guessing floor."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from service.science import binomial, trial_columns
from service.science.intervals import Interval
from service.science.psychometric import d_prime, proportion_correct, proportion_correct_slope, proportion_wrong
from service.science.sequential import Sequential, sequential
from service.science.similarity import Similarity, similarity
from service.science.trial_methods import METHODS, Method, find_method

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from service.science.checks import FloatArray, Numeric
    from service.science.trial_columns import Count

__all__ = [
    "METHODS",
    "SIGNIFICANCE_LEVELS",
    "Interval",
    "Method",
    "Sequential",
    "Significance",
    "Similarity",
    "d_prime",
    "find_method",
    "proportion_correct",
    "proportion_correct_slope",
    "proportion_wrong",
    "sequential",
    "significance",
    "similarity",
]

SIGNIFICANCE_LEVELS: Mapping[str, float] = {"0.05": 0.05, "0.01": 0.01, "0.001": 0.001}

_LN10 = float(np.log(10.0))


@dataclass(frozen=True, slots=True)
class Significance:
    """A trial set against guessing; each leaf is a number, or an array where any argument was one.

    `fewest_correct_for` holds None where no count reaches the level (arrays of it have dtype object).
    `log10_p` and `log10_any_time_e_value` go on where the plain figures leave the range of a double.
    """

    method: str
    presented: Count
    correct: Count
    confidence: Numeric
    guess_probability: Numeric
    expected_by_chance: Numeric
    p_value: Numeric
    log10_p: Numeric
    lower_tail_p_value: Numeric
    fewest_correct_for: Mapping[str, int | NDArray[np.object_] | None]
    proportion_correct: Interval
    proportion_discriminating: Interval
    d_prime: Interval
    below_chance: bool | NDArray[np.bool_]
    any_time_e_value: Numeric
    log10_any_time_e_value: Numeric


def significance(method: str, presented: Count, correct: Count, confidence: Numeric = 0.95) -> Significance:
    """Set the correct answers of a trial against guessing.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    presented, correct : int or array
        Presentations served (1 to 1 000 000) and answered rightly. Arrays broadcast together.
    confidence : float or array
        Of the intervals, two-sided, 0.5 to 0.9999.

    Raises
    ------
    InputError
        For an unknown method, counts that are not whole or do not agree, a confidence out of range.

    References
    ----------
    Exact binomial upper tail: ISO 4120, ISO 10399, ISO 5495. Intervals: Clopper & Pearson 1934, mapped through the
    guessing floor and the psychometric function. E-value: uniform mixture above chance, Ville 1939.

    """
    find_method(method)
    if isinstance(presented, int) and isinstance(correct, int) and isinstance(confidence, float):
        return _remembered(method, presented, correct, confidence)
    return _significance(method, presented, correct, confidence)


def _significance(method: str, presented: Count, correct: Count, confidence: Numeric) -> Significance:
    guess = METHODS[method].guess_probability
    n, x = trial_columns.counts(presented, correct)
    level = trial_columns.confidence_level(confidence)
    n, x, level = trial_columns.together(presented=n, correct=x, confidence=level)
    log_p = binomial.log_upper_tail(x, n, guess)
    log_e = binomial.log_mixture_e_value(x, n, guess)
    share, low, high = map(trial_columns.as_given, (x / n, *binomial.clopper_pearson(x, n, level)))
    # One call for the three: the inverse costs more to start than to run.
    shares = np.array([share, low, high])
    discriminating = np.maximum((shares - guess) / (1.0 - guess), 0.0)
    distances = d_prime(method, shares)
    return Significance(
        method=method,
        presented=trial_columns.counts_as_given(n),
        correct=trial_columns.counts_as_given(x),
        confidence=trial_columns.as_given(level),
        guess_probability=trial_columns.as_given(np.full(n.shape, guess)) if n.ndim else guess,
        expected_by_chance=trial_columns.as_given(n * guess),
        p_value=trial_columns.as_given(np.exp(log_p)),
        log10_p=trial_columns.as_given(log_p / _LN10),
        lower_tail_p_value=trial_columns.as_given(binomial.lower_tail(x, n, guess)),
        fewest_correct_for={name: _fewest(n, guess, tail) for name, tail in SIGNIFICANCE_LEVELS.items()},
        proportion_correct=Interval(share, low, high),
        proportion_discriminating=Interval(*(list(discriminating) if n.ndim else discriminating.tolist())),
        d_prime=Interval(*(list(distances) if n.ndim else distances.tolist())),
        below_chance=trial_columns.as_given(x < n * guess),
        any_time_e_value=trial_columns.as_given(binomial.e_value_from_log(log_e)),
        log10_any_time_e_value=trial_columns.as_given(log_e / _LN10),
    )


# Kitchens taste ten or twenty times: the same few counts come again and again.
_remembered = lru_cache(maxsize=4096)(_significance)


def _fewest(n: FloatArray, guess: float, tail: float) -> int | NDArray[np.object_] | None:
    if not n.ndim:
        return binomial.fewest_count_scalar(int(n), guess, tail)
    fewest = binomial.fewest_count(n, np.asarray(guess), np.asarray(tail))
    return trial_columns.optional_counts(fewest, fewest <= n)
