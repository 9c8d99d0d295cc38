"""Two yes/no answers from each pair: the exact McNemar test and Tango's interval for the difference of the shares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from service.science import binomial

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.science.checks import FloatArray

_QUICK = 8
"""Newton's method is mostly done by then."""

_ROUNDS = _QUICK + 2 * 55
"""So many halvings leave less than a double can tell."""

_CLOSE = 1e-8
"""A step this small, as a share of the way from the estimate, leaves an error of its square."""


def two_sided_p_value(fewer: FloatArray, decided: FloatArray) -> FloatArray:
    """Compute the exact two-sided p-value of an even split, doubled from its smaller tail and at most 1.

    Parameters
    ----------
    fewer, decided : array
        The smaller of the two counts and their sum; 1 where nothing was decided.

    References
    ----------
    ISO 5495 (paired comparison, two-sided); McNemar 1947 with the discordant pairs as the decided ones.

    """
    return np.asarray(np.minimum(1.0, 2.0 * binomial.lower_tail(fewer, decided, 0.5)))


def tango_interval(
    only_a: FloatArray, only_b: FloatArray, pairs: FloatArray, confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Compute the score interval of a paired difference, (only_a - only_b) / pairs.

    Parameters
    ----------
    only_a, only_b, pairs : array
        Discordant pairs of either kind and all pairs, of one shape; at least one pair.
    confidence : float
        Two-sided coverage.

    References
    ----------
    Tango 1998, Statistics in Medicine 17:891-908; its edges by Newton's method in a bracket.

    """
    square = float(special.ndtri(0.5 + 0.5 * confidence)) ** 2 / pairs
    # Turned over where it is negative: near 1 every term is small, near -1 they are large and cancel.
    more, less = np.maximum(only_a, only_b), np.minimum(only_a, only_b)
    estimate, changed = (more - less) / pairs, (more + less) / pairs
    lean, bent, half = 2.0 - estimate, 4.0 * less / pairs, 0.5 * square

    def room(difference: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Compute by how much the score test at this difference fails to reject, and the slope of that."""
        linear = lean * difference - changed
        spread, turn = 2.0 * difference * (1.0 - difference), 2.0 - 4.0 * difference
        root = np.sqrt(np.maximum(linear * linear + bent * spread, 0.0))
        missed = estimate - difference
        value = half * (root - linear + spread) - missed * missed
        slope = half * ((linear * lean + 0.5 * bent * turn) / root - lean + turn) + 2.0 * missed
        return value, slope

    # Exact where no pair changed, and near for all others.
    about = np.sqrt(square * (changed - estimate * estimate + square))
    starts = (estimate + np.stack((-about, about))) / (1.0 + square)
    low, high = _edges(room, estimate, starts)
    turned = only_b > only_a
    return np.where(turned, -high, low), np.where(turned, -low, high)


def _edges(
    room: Callable[[FloatArray], tuple[FloatArray, FloatArray]], estimate: FloatArray, starts: FloatArray
) -> FloatArray:
    """Find where what is not rejected ends, from the estimate down to -1 and up to 1.

    Newton's steps, each kept in the bracket between what is rejected and what isn't; the bracket is halved where a step
    leaves it, and after some rounds by every second.
    """
    inner, outer = np.broadcast_to(estimate, starts.shape), np.empty_like(starts)
    outer[0], outer[1] = -1.0, 1.0
    edge, settled = starts, inner == outer
    with np.errstate(divide="ignore", invalid="ignore"):
        for turn in range(_ROUNDS):
            value, slope = room(edge)
            fits = value >= 0.0
            inner, outer = np.where(fits, edge, inner), np.where(fits, outer, edge)
            tried = edge - value / slope
            within = (tried - inner) * (tried - outer) <= 0.0
            if turn > _QUICK and turn % 2:
                within[...] = False
            # What has settled once may move by a last digit, and back.
            settled |= within & (np.abs(tried - edge) <= _CLOSE * np.abs(tried - estimate))
            edge = np.where(within, tried, 0.5 * (inner + outer))
            if settled.all():
                break
    return edge
