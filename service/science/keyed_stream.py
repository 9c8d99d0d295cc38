"""Draws from a 256-bit seed that anyone holding the seed can repeat, and no one can work back from what they see."""

from __future__ import annotations

import hmac
import string
import struct
from itertools import count
from typing import TYPE_CHECKING, TypeVar

from service.science.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

SEED_BYTES = 32

_WORDS = 2**64
_AS_WORDS = struct.Struct(">4Q").unpack
"""A block of 32 bytes as four whole numbers, each below `_WORDS`."""

Item = TypeVar("Item")


def seed_from(value: int | str | bytes) -> bytes:
    """Give a seed as 32 bytes.

    Parameters
    ----------
    value : int, str or bytes
        A whole number from 0 to 2^256 - 1, 64 hexadecimal digits, or 32 bytes.

    Raises
    ------
    InputError
        For anything else.

    """
    if isinstance(value, bytes) and len(value) == SEED_BYTES:
        return value
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 256**SEED_BYTES:
        return value.to_bytes(SEED_BYTES, "big")
    if isinstance(value, str) and len(value) == 2 * SEED_BYTES and set(value) <= set(string.hexdigits):
        return bytes.fromhex(value)
    raise InputError("seed", "must be 64 hexadecimal digits, or a whole number from 0 to 2^256 - 1.")


class KeyedStream:
    """HMAC-SHA-256 under the seed, in counter mode, over a label of its own.

    Streams of two labels under one seed tell nothing of each other, so that codes may be seen by all while the orders
    drawn from the same seed stay secret (RFC 2104; FIPS 198-1).

    Parameters
    ----------
    seed : bytes
        32 secret bytes.
    label : str
        What the stream is for.

    """

    def __init__(self, seed: bytes, label: str) -> None:
        self._words = _words(seed, label.encode())

    def below(self, limit: int) -> int:
        """Draw a whole number from 0 to `limit` - 1, each as likely: draws from the uneven remainder are dropped."""
        most = _WORDS - limit
        while True:
            word = next(self._words)
            drawn = word % limit
            # Whether all of this word's round of `limit` words exist.
            if word - drawn <= most:
                return drawn

    def choice(self, items: Sequence[Item]) -> Item:
        """Draw one item."""
        return items[self.below(len(items))]

    def shuffled(self, items: Sequence[Item]) -> list[Item]:
        """Draw a permutation (Fisher & Yates)."""
        mixed = list(items)
        for last in range(len(mixed) - 1, 0, -1):
            other = self.below(last + 1)
            mixed[last], mixed[other] = mixed[other], mixed[last]
        return mixed


def _words(seed: bytes, label: bytes) -> Iterator[int]:
    begun = hmac.new(seed, label + b"\x00", "sha256")
    for counter in count():
        block = begun.copy()
        block.update(counter.to_bytes(8, "big"))
        yield from _AS_WORDS(block.digest())
