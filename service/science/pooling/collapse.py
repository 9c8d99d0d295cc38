"""Count equal rows once: a hundred thousand households of a dozen tastings are a few hundred distinct results."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_LARGEST_TABLE = 4000
_CELLS_A_ROW = 20
"""Beyond so large a table, sorting is quicker than ticking off."""


@dataclass(frozen=True, slots=True)
class Grouped:
    """The different keys from the lowest, the row at which each first appears, and which of them each row has."""

    keys: IntArray
    first: IntArray
    place: IntArray


def grouped(keys: IntArray) -> Grouped:
    """Find which rows have the same key.

    Parameters
    ----------
    keys : array of int
        Whole numbers from 0; where none is much larger than there are rows, in O(k).

    """
    if np.all(keys[1:] > keys[:-1]):
        row = np.arange(len(keys))
        return Grouped(keys, row, row)
    size = int(keys.max(initial=-1)) + 1
    if size > max(_LARGEST_TABLE, _CELLS_A_ROW * len(keys)):
        distinct, first, place = np.unique(keys, return_index=True, return_inverse=True)
        return Grouped(distinct, first, place)
    heads = np.full(size, -1, dtype=np.int64)
    # Written from the last row to the first, so that each key is left with its first row.
    heads[keys[::-1]] = np.arange(len(keys) - 1, -1, -1)
    there = heads >= 0
    distinct = np.flatnonzero(there)
    return Grouped(distinct, heads[distinct], (np.cumsum(there) - 1)[keys])


def rates_of(guess: FloatArray) -> tuple[FloatArray, IntArray]:
    """Give the different guess probabilities from the lowest, and which of them each row has."""
    if len(guess) and np.all(guess == guess[0]):
        return guess[:1], np.zeros(len(guess), dtype=np.int64)
    rates, kind = np.unique(guess, return_inverse=True)
    return rates, kind.ravel()


@dataclass(frozen=True, slots=True)
class Distinct:
    """The distinct (correct, presented, kind) among households, how often each occurs and which each household is."""

    correct: IntArray
    presented: IntArray
    kind: IntArray
    times: IntArray
    place: IntArray


def collapse(correct: IntArray, presented: IntArray, kind: IntArray | None = None) -> Distinct:
    """Collapse households with equal counts.

    Parameters
    ----------
    correct, presented : array of int
        Counts, one for each household.
    kind : array of int, optional
        A small whole number for each household, such as the place of its method in a list; 0 where left out.

    Returns
    -------
    Distinct
        Ordered by kind, presented and correct; O(k) in time and memory.

    """
    kinds = np.zeros_like(presented) if kind is None else kind
    width = int(presented.max(initial=0)) + 1
    key = (kinds * width + presented) * width + correct
    found = grouped(key)
    pair, x = np.divmod(found.keys, width)
    which, n = np.divmod(pair, width)
    return Distinct(x, n, which, np.bincount(found.place, minlength=len(found.keys)), found.place)
