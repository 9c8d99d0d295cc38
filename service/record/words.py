"""Texts that repeat, each kept once and known by its place."""

from collections import defaultdict
from collections.abc import Callable, Hashable, Sequence
from itertools import count, islice
from typing import Any

import numpy as np
import numpy.typing as npt

from service.record.packed_texts import PackedTexts

Codes = npt.NDArray[np.int32]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


class Words:
    """Distinct texts in the order in which they were first seen; only ever added to.

    Parameters
    ----------
    meaning : callable
        What a text stands for; asked once for each distinct one.
    before : Texts or None
        Texts that have their places already, and stand for themselves.

    """

    __slots__ = ("_before", "_meaning", "_places", "meanings")

    def __init__(self, meaning: Callable[[Any], Any] = lambda text: text, before: PackedTexts | None = None) -> None:
        self._places: defaultdict[Any, int] = defaultdict(count(0 if before is None else len(before)).__next__)
        self._meaning = meaning
        self._before = before
        self.meanings: list[Any] | PackedTexts = [] if before is None else before

    def codes(self, texts: Sequence[Hashable]) -> Codes:
        """Return each text's place, taking in those that are new."""
        self._look_up(texts)
        known = len(self._places)
        found = np.fromiter(map(self._places.__getitem__, texts), dtype=np.int32, count=len(texts))
        new = list(islice(reversed(self._places), len(self._places) - known))
        self.meanings.extend(map(self._meaning, reversed(new)))
        return found

    def known(self, texts: Sequence[Hashable]) -> Codes:
        """Return the places of texts that were all seen before."""
        self._look_up(texts)
        return np.fromiter(map(self._places.get, texts), dtype=np.int32, count=len(texts))

    def place(self, text: Hashable) -> int:
        """Return a text's place; -1 where it was never seen, which no code is."""
        return self.places([text])[0]

    def places(self, texts: Sequence[Hashable]) -> list[int]:
        """Return the places of texts, -1 for those that were never seen."""
        self._look_up(texts)
        return [self._places.get(text, -1) for text in texts]

    def _look_up(self, texts: Sequence[Any]) -> None:
        if self._before is not None:
            self._places.update(self._before.places({text for text in texts if text not in self._places}))

    def written(self) -> list[Any] | PackedTexts:
        """Return the texts in order."""
        return list(self._places) if self._before is None else self._before

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
        packed_bytes = 0 if self._before is None else self._before.size_bytes()
        return packed_bytes + _BYTES_EACH * len(self._places)


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
