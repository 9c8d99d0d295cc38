from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from service.science import plain_words, trial_columns
from service.science.checks import number
from service.science.errors import InputError
from service.science.intervals import Interval
from service.science.paired_difference import tango_interval, two_sided_p_value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from service.science.checks import FloatArray

_MOST_TERMS = 200
_SHOWN = 0.05


@dataclass(frozen=True, slots=True)
class DescriptorCounts:
    """How often a term was ticked for both batches of a pair, for one alone, or for neither."""

    term: str
    both: int
    only_a: int
    only_b: int
    neither: int


@dataclass(frozen=True, slots=True)
class DescriptorComparison:
    """One term between two batches; `difference` is the share ticking it for a less that for b."""

    term: str
    pairs: int
    p_value: float
    adjusted_p_value: float
    difference: Interval


@dataclass(frozen=True, slots=True)
class Descriptors:
    """Every term of one sheet, in the order given; the adjustment is over all of them."""

    confidence: float
    terms: tuple[DescriptorComparison, ...]


def compare_descriptors(terms: Sequence[DescriptorCounts], confidence: float = 0.95) -> Descriptors:
    """Compare how often each term was ticked for either of two batches tasted as pairs.

    Parameters
    ----------
    terms : sequence of DescriptorCounts
        1 to 200 terms, each with at least one pair, none twice.
    confidence : float
        Of each interval alone, two-sided, 0.5 to 0.9999.

    Raises
    ------
    InputError
        For no terms or too many, a term given twice, counts that are not whole or all zero.

    References
    ----------
    Exact McNemar 1947; adjustment of Holm 1979; interval of Tango 1998.

    """
    if not 1 <= len(terms) <= _MOST_TERMS:
        raise InputError("terms", f"must hold 1 to {_MOST_TERMS} terms.")
    names = [each.term for each in terms]
    if len(set(names)) < len(names):
        twice = next(place for place, name in enumerate(names) if name in names[:place])
        raise InputError("terms", "has a term twice; add its counts together.", twice)
    level = float(number("confidence", confidence, 0.5, 0.9999, "coverage of each interval; 0.95 is customary"))
    both, only_a, only_b, neither = _counts(terms)
    pairs = both + only_a + only_b + neither
    if not pairs.all():
        raise InputError("terms", "has a term without a single pair; leave it out.", int(np.argmin(pairs)))
    p_values = two_sided_p_value(np.minimum(only_a, only_b), only_a + only_b)
    estimates = (only_a - only_b) / pairs
    low, high = tango_interval(only_a, only_b, pairs, level)
    columns = (pairs, p_values, holm(p_values), estimates, low, high)
    return Descriptors(
        confidence=level,
        terms=tuple(
            DescriptorComparison(name, int(n), p, adjusted, Interval(estimate, least, most))
            for name, n, p, adjusted, estimate, least, most in zip(names, *(c.tolist() for c in columns), strict=True)
        ),
    )


def _counts(terms: Sequence[DescriptorCounts]) -> FloatArray:
    """Give each kind of count as a row, checked all at once."""
    counts = np.array([(each.both, each.only_a, each.only_b, each.neither) for each in terms])
    try:
        held = trial_columns.whole_numbers("terms", counts.ravel(), 0, trial_columns.MOST_PRESENTED, "pairs of glasses")
    except InputError as error:
        row, kind = divmod(error.index or 0, 4)
        raise InputError(("both", "only_a", "only_b", "neither")[kind], error.detail, row) from None
    return held.reshape(-1, 4).T


def holm(p_values: FloatArray) -> FloatArray:
    """Adjust p-values so that the chance of any false finding among them keeps the level (Holm 1979)."""
    order = np.argsort(p_values, kind="stable")
    remaining = np.arange(len(p_values), 0, -1)
    adjusted = np.empty_like(p_values)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(p_values[order] * remaining))
    return adjusted


def descriptors_reading(result: Descriptors, *, a: str = "the first", b: str = "the second") -> str:
    """Say which terms were ticked more often for one batch; `a` and `b` name the two within a sentence."""
    sentences = []
    for each in result.terms:
        if each.adjusted_p_value <= _SHOWN:
            more, less = (a, b) if float(each.difference.estimate) > 0.0 else (b, a)
            sentences.append(
                f"\u201c{each.term}\u201d was ticked more often for {more} than for {less}, {_by(each.difference)}."
            )
    if not sentences:
        sentences.append("No term was shown to differ, and none was shown not to: see how wide each interval is.")
    tested = plain_words.counted(len(result.terms))
    several = len(result.terms) > 1
    how_many = "terms were tested, and the p-values allow for that" if several else "term was tested"
    sentences.append(f"{tested.capitalize()} {how_many}.")
    sentences += plain_words.at_confidence(result.confidence)
    sentences.append("Words are a lead to follow, not a verdict.")
    return " ".join(sentences)


def _by(difference: Interval) -> str:
    low, high = float(difference.low), float(difference.high)
    near, far = sorted((abs(low), abs(high)))
    if far < 0.005:
        return "by fewer than 1 in 100 pairs"
    if low < 0.0 < high or near < 0.005:
        return f"by up to {plain_words.whole(100.0 * far)} in 100 pairs"
    least, most = plain_words.whole(100.0 * near), plain_words.whole(100.0 * far)
    return f"by {least} to {most} in 100 pairs" if least != most else f"by about {most} in 100 pairs"
