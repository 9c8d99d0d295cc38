"""Two yes/no answers from each pair: the exact McNemar test and Tango's interval for the difference of the shares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from service.science import binomial

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.science.checks import FloatArray

# Halving a difference between -1 and 1 this often leaves less than a double can tell.
_HALVINGS = 55


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
    Tango 1998, Statistics in Medicine 17:891-908.

    """
    z_squared = float(special.ndtri(0.5 + 0.5 * confidence)) ** 2
    estimate = (only_a - only_b) / pairs

    def far(difference: FloatArray) -> FloatArray:
        """Tell where the score test at this difference rejects."""
        linear = (2.0 * pairs - only_a + only_b) * difference - only_a - only_b
        constant = -only_b * difference * (1.0 - difference)
        root = np.sqrt(np.maximum(linear * linear - 8.0 * pairs * constant, 0.0))
        share_b = np.maximum((root - linear) / (4.0 * pairs), 0.0)
        variance = pairs * np.maximum(2.0 * share_b + difference * (1.0 - difference), 0.0)
        return np.asarray((only_a - only_b - pairs * difference) ** 2 > z_squared * variance)

    return _edge(far, estimate, -1.0), _edge(far, estimate, 1.0)


def _edge(far: Callable[[FloatArray], FloatArray], inside: FloatArray, end: float) -> FloatArray:
    """Halve the way from the estimate to the end of the scale until the edge of what is not rejected is found."""
    outside = np.full_like(inside, end)
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + outside)
        rejected = far(middle)
        outside = np.where(rejected, middle, outside)
        inside = np.where(rejected, inside, middle)
    return inside
