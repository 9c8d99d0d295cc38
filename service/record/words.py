"""Texts that repeat, each kept once and known by its place."""

from collections import defaultdict
from collections.abc import Callable, Hashable, Sequence
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


class Words:
    """Distinct texts in the order in which they were first seen; only ever added to.

    Parameters
    ----------
    meaning : callable
        What a text stands for; asked once for each distinct one.

    """

    __slots__ = ("_meaning", "_places", "meanings")

    def __init__(self, meaning: Callable[[Any], Any] = lambda text: text) -> None:
        self._places: defaultdict[Hashable, int] = defaultdict()
        self._places.default_factory = self._places.__len__
        self._meaning = meaning
        self.meanings: list[Any] = []

    def codes(self, texts: Sequence[Hashable]) -> Codes:
        """Return each text's place, taking in those that are new."""
        found = np.fromiter(map(self._places.__getitem__, texts), dtype=np.int32, count=len(texts))
        self.meanings += map(self._meaning, islice(self._places, len(self.meanings), None))
        return found

    def known(self, texts: Sequence[Hashable]) -> Codes:
        """Return the places of texts that were all seen before."""
        return np.fromiter(map(self._places.get, texts), dtype=np.int32, count=len(texts))

    def place(self, text: Hashable) -> int:
        """Return a text's place; -1 where it was never seen, which no code is."""
        return self._places.get(text, -1)

    def said(self, codes: Codes) -> list[Any]:
        """Return what each code stands for."""
        return list(map(self.meanings.__getitem__, codes.tolist()))

    def those(self, codes: Codes, holds: Callable[[Any], bool]) -> BoolArray:
        """Say where a test holds of what a code stands for; each meaning that occurs is tested once."""
        verdicts = np.zeros(len(self.meanings), dtype=np.bool_)
        for code in occurring(codes):
            verdicts[code] = holds(self.meanings[code])
        return verdicts[codes]

    def size_bytes(self) -> int:
        """Estimate the memory they take."""
        return _BYTES_EACH * len(self.meanings)


_BYTES_EACH = 250
"""A short text, its meaning, and its place in a dictionary."""


def distinct(codes: Codes) -> int:
    """Count the different ones."""
    return int(np.count_nonzero(_seen(codes)))


def occurring(codes: Codes) -> list[int]:
    """List the different ones from the lowest."""
    found: list[int] = np.flatnonzero(_seen(codes)).tolist()
    return found


def is_among(codes: npt.NDArray[np.integer[Any]], those: Codes) -> BoolArray:
    """Say which of some codes are among others."""
    seen = _seen(those, max(int(codes.max(initial=-1)), int(those.max(initial=-1))) + 1)
    found: BoolArray = seen[codes]
    return found


def numbered(codes: npt.NDArray[np.integer[Any]]) -> tuple[IntArray, IntArray]:
    """Number what codes stand for from 0 in order of first appearance.

    Returns
    -------
    tuple
        Each row's number, and the row at which each number first appears.

    """
    row = np.arange(len(codes))
    # Written from the last row to the first, so that each code is left with its first row; codes are small.
    first = np.empty(int(codes.max(initial=-1)) + 1, dtype=np.int64)
    first[codes[::-1]] = row[::-1]
    head = first[codes]
    is_head = head == row
    return (np.cumsum(is_head) - 1)[head], np.flatnonzero(is_head)


def _seen(codes: Codes, count: int | None = None) -> BoolArray:
    """Say of each code from 0 whether it occurs: codes are small, and ticking them off needs no sorting."""
    seen = np.zeros(int(codes.max(initial=-1)) + 1 if count is None else count, dtype=np.bool_)
    seen[codes] = True
    return seen
