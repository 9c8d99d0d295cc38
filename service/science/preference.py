from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from service.science import binomial, plain_words, single_binomial, trial_columns
from service.science.checks import number
from service.science.errors import InputError
from service.science.intervals import Interval
from service.science.paired_difference import two_sided_p_value

if TYPE_CHECKING:
    from service.science.checks import FloatArray, Numeric
    from service.science.trial_columns import Count

_SHOWN = 0.05

_PRESENTED = "answers given"
_PREFERRED = "answers preferring the first"
_UNDECIDED = "answers without a preference"
_NOTHING_DECIDED = "must be fewer than the answers given: without a single preference there is nothing to test."
_TOO_MANY = "must not exceed the answers given less those without a preference; count each answer once."


@dataclass(frozen=True, slots=True)
class Preference:
    """Paired preferences set against an even split; each leaf is a number, or an array where any argument was one."""

    presented: Count
    preferred_a: Count
    preferred_b: Count
    no_preference: Count
    confidence: Numeric
    p_value: Numeric
    share_preferring_a: Interval


def preference(
    presented: Count, preferred_a: Count, no_preference: Count = 0, confidence: Numeric = 0.95
) -> Preference:
    """Test paired preferences for leaning either way.

    Parameters
    ----------
    presented : int or array
        Answers given, those without a preference among them; 1 to 1 000 000.
    preferred_a, no_preference : int or array
        Of these, answers that preferred the first batch, and answers without a preference, which stand outside
        the test.
    confidence : float or array
        Of the interval, two-sided, 0.5 to 0.9999.

    Raises
    ------
    InputError
        For counts that are not whole or do not add up, no preference at all, a confidence out of range.

    References
    ----------
    Two-sided exact binomial at one half, as in ISO 5495; interval of Clopper & Pearson 1934.

    """
    if (
        isinstance(presented, int)
        and isinstance(preferred_a, int)
        and isinstance(no_preference, int)
        and isinstance(confidence, float)
    ):
        return _of_one(presented, preferred_a, no_preference, confidence)
    most = trial_columns.MOST_PRESENTED
    n, a, none, level = trial_columns.together(
        presented=trial_columns.whole_numbers("presented", presented, 1, most, _PRESENTED),
        preferred_a=trial_columns.whole_numbers("preferred_a", preferred_a, 0, most, _PREFERRED),
        no_preference=trial_columns.whole_numbers("no_preference", no_preference, 0, most, _UNDECIDED),
        confidence=trial_columns.confidence_level(confidence),
    )
    decided = np.asarray(n - none)
    some = np.asarray(decided >= 1)
    if not some.all():
        raise InputError("no_preference", _NOTHING_DECIDED, trial_columns.first_false(some))
    adds_up = np.asarray(a <= decided)
    if not adds_up.all():
        raise InputError("preferred_a", _TOO_MANY, trial_columns.first_false(adds_up))
    (x, n_decided, sure), in_each_row = trial_columns.distinct_rows(a, decided, level)

    def given(value: FloatArray) -> Any:  # noqa: ANN401  (a number or an array, as the arguments were)
        return trial_columns.as_given(in_each_row(value))

    p_value = two_sided_p_value(np.minimum(x, n_decided - x), n_decided)
    return Preference(
        presented=trial_columns.counts_as_given(n),
        preferred_a=trial_columns.counts_as_given(a),
        preferred_b=trial_columns.counts_as_given(decided - a),
        no_preference=trial_columns.counts_as_given(none),
        confidence=trial_columns.as_given(level),
        p_value=given(p_value),
        share_preferring_a=Interval(*map(given, (x / n_decided, *binomial.clopper_pearson(x, n_decided, sure)))),
    )


def _of_one(presented: int, preferred_a: int, no_preference: int, confidence: float) -> Preference:
    most = trial_columns.MOST_PRESENTED
    n = float(number("presented", presented, 1, most, _PRESENTED))
    a = float(number("preferred_a", preferred_a, 0, most, _PREFERRED))
    decided = n - float(number("no_preference", no_preference, 0, most, _UNDECIDED))
    tail = 0.5 * (1.0 - trial_columns.confidence_of_one(confidence))
    if decided < 1.0:
        raise InputError("no_preference", _NOTHING_DECIDED)
    if a > decided:
        raise InputError("preferred_a", _TOO_MANY)
    low, high = (limit(a, decided, tail) for limit in (single_binomial.lower_limit, single_binomial.upper_limit))
    return Preference(
        presented=presented,
        preferred_a=preferred_a,
        preferred_b=presented - no_preference - preferred_a,
        no_preference=no_preference,
        confidence=confidence,
        p_value=min(1.0, 2.0 * single_binomial.lower_tail(min(a, decided - a), decided, 0.5)),
        share_preferring_a=Interval(a / decided, low, high),
    )


def preference_reading(result: Preference, *, a: str = "the first", b: str = "the second", tasters: int = 1) -> str:
    """Say what a single count of preferences shows; `a` and `b` name the batches as they stand in a sentence."""
    first, second = int(result.preferred_a), int(result.preferred_b)
    decided = first + second
    p_value = float(result.p_value)
    sentences = [f"{a} was preferred {plain_words.times(first)} in {plain_words.whole(decided)}."]
    if result.no_preference:
        sentences.append(f"Left out for having no preference: {plain_words.whole(int(result.no_preference))}.")
    often = plain_words.chance(p_value) if p_value < 1.0 else "always"
    sentences.append(f"A toss of a coin splits at least this unevenly {often}.")
    share = result.share_preferring_a
    least, most = (plain_words.whole(100 * float(limit)) for limit in (share.low, share.high))
    extent = f"between {least} and {most} times in 100"
    if p_value <= _SHOWN:
        sentences.append(f"The answers lean to {a if first > second else b}; {a} would be preferred {extent}.")
    else:
        sentences.append(f"No preference shown, and none ruled out: {a} could be preferred {extent}.")
    sentences += plain_words.at_confidence(float(result.confidence))
    whom = "you" if tasters == 1 else "these tasters"
    sentences.append(f"This is about {whom}, these two batches and these days.")
    text = " ".join(sentences)
    return text[0].upper() + text[1:]
