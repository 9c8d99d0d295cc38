"""What the count of correct answers in a blind discrimination trial shows: exact, with the guessing floor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from service.science import binomial, single_binomial, trial_columns
from service.science.intervals import Interval
from service.science.psychometric import d_prime, proportion_correct, proportion_correct_slope, proportion_wrong
from service.science.sequential import Sequential, sequential
from service.science.similarity import Similarity, similarity
from service.science.trial_methods import METHODS, Method, find_method

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from service.science.checks import Numeric
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

_LN10 = math.log(10.0)


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
    guess = find_method(method).guess_probability
    if isinstance(presented, int) and isinstance(correct, int) and isinstance(confidence, float):
        return _of_one(method, guess, presented, correct, confidence)
    n, x = trial_columns.counts(presented, correct)
    level = trial_columns.confidence_level(confidence)
    columns = trial_columns.together(presented=n, correct=x, confidence=level)
    (n, x, level), in_each_row = trial_columns.distinct_rows(*columns)

    def given(value: NDArray[Any]) -> Any:  # noqa: ANN401  (a number or an array, as the arguments were)
        return trial_columns.as_given(in_each_row(value))

    log_p = binomial.log_upper_tail(x, n, guess)
    log_e = binomial.log_mixture_e_value(x, n, guess)
    shares = np.stack((x / n, *binomial.clopper_pearson(x, n, level)))
    discriminating = np.maximum((shares - guess) / (1.0 - guess), 0.0)
    fewest = {
        name: binomial.fewest_count(n, np.asarray(guess), np.asarray(p)) for name, p in SIGNIFICANCE_LEVELS.items()
    }
    served, right, sure = columns
    return Significance(
        method=method,
        presented=trial_columns.counts_as_given(served),
        correct=trial_columns.counts_as_given(right),
        confidence=trial_columns.as_given(sure),
        guess_probability=trial_columns.as_given(np.full_like(served, guess)),
        expected_by_chance=trial_columns.as_given(served * guess),
        p_value=given(np.exp(log_p)),
        log10_p=given(log_p / _LN10),
        lower_tail_p_value=given(binomial.lower_tail(x, n, guess)),
        fewest_correct_for={
            name: trial_columns.optional_counts(in_each_row(count), in_each_row(count) <= served)
            for name, count in fewest.items()
        },
        proportion_correct=Interval(*map(given, shares)),
        proportion_discriminating=Interval(*map(given, discriminating)),
        d_prime=Interval(*map(given, d_prime(method, shares))),
        below_chance=trial_columns.as_given(right < served * guess),
        any_time_e_value=given(binomial.e_value_from_log(log_e)),
        log10_any_time_e_value=given(log_e / _LN10),
    )


# Kitchens taste ten or twenty times: the same few counts come again and again.
@lru_cache(maxsize=4096)
def _of_one(method: str, guess: float, presented: int, correct: int, confidence: float) -> Significance:
    n, x = trial_columns.counts_of_one(presented, correct)
    tail = 0.5 * (1.0 - trial_columns.confidence_of_one(confidence))
    log_p = single_binomial.log_upper_tail(x, n, guess)
    log_e = single_binomial.log_mixture_e_value(x, n, guess)
    shares = x / n, single_binomial.lower_limit(x, n, tail), single_binomial.upper_limit(x, n, tail)
    fewest = {name: single_binomial.fewest_count(n, guess, level) for name, level in SIGNIFICANCE_LEVELS.items()}
    return Significance(
        method=method,
        presented=presented,
        correct=correct,
        confidence=confidence,
        guess_probability=guess,
        expected_by_chance=n * guess,
        p_value=float(np.exp(log_p)),
        log10_p=log_p / _LN10,
        lower_tail_p_value=single_binomial.lower_tail(x, n, guess),
        fewest_correct_for={name: int(count) if count <= n else None for name, count in fewest.items()},
        proportion_correct=Interval(*shares),
        proportion_discriminating=Interval(*(max((share - guess) / (1.0 - guess), 0.0) for share in shares)),
        d_prime=Interval(*(d_prime(method, share) for share in shares)),
        below_chance=x < n * guess,
        any_time_e_value=single_binomial.e_value_from_log(log_e),
        log10_any_time_e_value=log_e / _LN10,
    )
