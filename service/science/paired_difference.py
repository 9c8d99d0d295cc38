"""Two yes/no answers from each pair: the exact McNemar test and Tango's interval for the difference of the shares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from service.science import binomial

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.science.checks import FloatArray

# Each round at least halves the bracket; this many leave less than a double can tell.
_ROUNDS = 55

_CLOSE = 1e-15
"""A step this small on the scale of shares is a double's last digits."""


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
    Tango 1998, Statistics in Medicine 17:891-908; solved as in Ridders 1979, IEEE Trans. Circuits Syst. 26:979.

    """
    z = float(special.ndtri(0.5 + 0.5 * confidence))
    estimate = (only_a - only_b) / pairs

    def room(difference: FloatArray) -> FloatArray:
        """Compute by how much the score test at this difference fails to reject; below nought it rejects."""
        linear = (2.0 * pairs - only_a + only_b) * difference - only_a - only_b
        constant = -only_b * difference * (1.0 - difference)
        root = np.sqrt(np.maximum(linear * linear - 8.0 * pairs * constant, 0.0))
        share_b = np.maximum((root - linear) / (4.0 * pairs), 0.0)
        variance = pairs * np.maximum(2.0 * share_b + difference * (1.0 - difference), 0.0)
        return np.asarray(z * np.sqrt(variance) - np.abs(only_a - only_b - pairs * difference))

    ends = np.stack((np.full_like(estimate, -1.0), np.full_like(estimate, 1.0)))
    low, high = _edges(room, estimate, ends)
    return low, high


def _edges(room: Callable[[FloatArray], FloatArray], estimate: FloatArray, ends: FloatArray) -> FloatArray:
    """Find where what is not rejected ends on the way from the estimate to each end of the scale (Ridders 1979)."""
    way = ends - estimate
    inner, outer = np.zeros_like(way), np.ones_like(way)
    at_inner, at_outer = room(estimate + inner * way), room(ends)
    whole = at_outer >= 0.0  # not even the end of the scale is rejected
    edge = np.ones_like(way)
    for _ in range(_ROUNDS):
        half = 0.5 * (inner + outer)
        at_half = room(estimate + half * way)
        root = np.sqrt(np.maximum(at_half * at_half - at_inner * at_outer, 0.0))
        step = np.divide(at_half, root, out=np.zeros_like(half), where=root > 0.0)
        tried = half + (outer - half) * step
        at_tried = room(estimate + tried * way)
        # At 0, the estimate, the test may have no room either; that edge is not the one looked for.
        settled = (np.abs(tried - edge) <= _CLOSE) & ((at_inner > 0.0) | (inner > 0.0))
        edge = tried
        if (whole | settled | ((at_tried == 0.0) & (tried > 0.0))).all():
            break
        for place, value in ((half, at_half), (tried, at_tried)):
            further, nearer = (value >= 0.0) & (place >= inner), (value < 0.0) & (place <= outer)
            inner, at_inner = np.where(further, place, inner), np.where(further, value, at_inner)
            outer, at_outer = np.where(nearer, place, outer), np.where(nearer, value, at_outer)
    return np.asarray(np.where(whole, ends, estimate + edge * way))
