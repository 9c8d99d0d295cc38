"""Count equal rows once: a hundred thousand households of a dozen tastings are a few hundred distinct results."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]

_LARGEST_TABLE = 2_000_000


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
    size = int(key.max(initial=0)) + 1
    if size <= max(_LARGEST_TABLE, len(key)):
        times = np.bincount(key, minlength=size)
        keys = np.flatnonzero(times)
        lookup = np.zeros(size, dtype=np.int64)
        lookup[keys] = np.arange(len(keys))
        place, times = lookup[key], times[keys]
    else:
        keys, place, times = np.unique(key, return_inverse=True, return_counts=True)
    pair, x = np.divmod(keys, width)
    which, n = np.divmod(pair, width)
    return Distinct(x, n, which, times, place)
