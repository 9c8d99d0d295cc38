"""How far gravity readings lie from one falling sigmoid, and how that changes with each of its elements."""

import math
from typing import Final

import numpy as np
from scipy.special import expit

from service.science.checks import FloatArray

_KNEE: Final = 1.5
"""Residuals count by their square up to about here, by their size beyond (the pseudo-Huber loss)."""

_LOWEST: Final = np.array([0.9, 0.9, -1e5, -12.0, -12.0])
_HIGHEST: Final = np.array([1.6, 1.6, 1e5, 6.0, 6.0])


def bounded(fit: FloatArray) -> list[float]:
    """Keep a fit where its exponentials are finite, however far the search strays."""
    kept: list[float] = np.minimum(np.maximum(fit, _LOWEST), _HIGHEST).tolist()
    return kept


class Misfit:
    """The readings beside the curve of one fit; a search asks for misfits and slopes at one place, which share most.

    Parameters
    ----------
    fit : ndarray
        Starting gravity, final gravity, centre in hours, log steepness, log tail.
    at_h, sg : ndarray
        Times in hours and specific gravities.
    spread : ndarray
        Standard uncertainty of each.

    References
    ----------
    A Richards curve; pseudo-Huber loss, Huber 1964, Ann. Math. Stat. 35:73.

    """

    def __init__(self, fit: FloatArray, at_h: FloatArray, sg: FloatArray, spread: FloatArray) -> None:
        self._start, final, centre, log_steepness, log_tail = bounded(fit)
        self._fall = self._start - final
        self._steepness, self._tail = math.exp(log_steepness), math.exp(log_tail)
        self._late = self._steepness * (at_h - centre)
        self._softened = np.logaddexp(0.0, self._late)
        self._left = np.exp(-self._tail * self._softened)
        self._spread = spread
        self.off = final + self._fall * self._left - sg
        """Gravity by the curve less each reading."""
        self._scaled = self.off / spread / _KNEE
        self._root = np.sqrt(1.0 + self._scaled * self._scaled)

    def tempered(self) -> FloatArray:
        """Residuals in uncertainties, each such that its square is the loss."""
        tempered: FloatArray = _KNEE * np.copysign(np.sqrt(2.0 * (self._root - 1.0)), self._scaled)
        return tempered

    def fill_slopes(self, rows: FloatArray) -> None:
        """Write the derivatives of `tempered` (rows) by the elements of the fit (columns)."""
        left, falling = self._left, self._fall * self._tail * self._left
        rows[:, 0] = left
        rows[:, 1] = 1.0 - left
        rows[:, 4] = -self._softened * falling
        falling *= expit(self._late)
        rows[:, 2] = self._steepness * falling
        rows[:, 3] = -self._late * falling
        rows *= (np.sqrt(0.5 * (self._root + 1.0)) / self._root / self._spread)[:, None]
