"""RFC 9162 section 2.1: the hashes of a tree that only grows."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

EMPTY_ROOT = hashlib.sha256(b"").digest()


def leaf_hash(data: bytes) -> bytes:
    """Return the hash of one leaf, SHA-256(0x00 || data)."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return the hash of an interior node, SHA-256(0x01 || left || right)."""
    return hashlib.sha256(b"\x01" + left + right).digest()


@dataclass(frozen=True, slots=True)
class Frontier:
    """The hashes of the complete subtrees that a tree of this size splits into, largest first.

    There is one per binary digit 1 of the size, so that a leaf is added and the root found in O(log n).

    Parameters
    ----------
    size : int
        Leaves so far.
    hashes : tuple of bytes
        One hash for each binary digit 1 of `size`.

    """

    size: int = 0
    hashes: tuple[bytes, ...] = ()

    def __post_init__(self) -> None:
        if self.size < 0 or len(self.hashes) != self.size.bit_count():
            raise ValueError(f"a tree of {self.size} leaves doesn't split into {len(self.hashes)} complete subtrees")

    def append(self, leaf: bytes) -> "Frontier":
        """Return the frontier with one more leaf hash; its last hash is the largest subtree ending at that leaf."""
        return self.extend(leaf, 1)

    def extend(self, subtree: bytes, leaves: int) -> "Frontier":
        """Return the frontier with a complete subtree more: of a power of two leaves, after a multiple of as many."""
        if leaves < 1 or leaves & (leaves - 1) or self.size % leaves:
            raise ValueError(f"a complete subtree of {leaves} leaves doesn't follow {self.size} leaves")
        hashes = list(self.hashes)
        number, joined = self.size // leaves, subtree
        while number & 1:
            joined = node_hash(hashes.pop(), joined)
            number >>= 1
        return Frontier(self.size + leaves, (*hashes, joined))

    def root(self) -> bytes:
        """Return the tree head (RFC 9162 section 2.1.1)."""
        if not self.hashes:
            return EMPTY_ROOT
        *rest, root = self.hashes
        for subtree in reversed(rest):
            root = node_hash(subtree, root)
        return root


@dataclass(frozen=True, slots=True)
class Stored:
    """What is kept with each leaf: its own hash, and that of the largest complete subtree that ends with it.

    Every other complete subtree is joined from these, so that a path takes O(log^2 n) of them and no leaf is hashed
    again.
    """

    leaf: bytes
    subtree: bytes


Lookup = Callable[[int], Stored]


def inclusion_path(stored: Lookup, position: int, size: int) -> list[bytes]:
    """Return the audit path of a leaf, from the leaf upwards (RFC 9162 section 2.1.3.1).

    Parameters
    ----------
    stored : callable
        Gives what is kept with a leaf, counted from 1.
    position : int
        Which leaf, counted from 1.
    size : int
        Leaves in the tree, `position` or more.

    """
    if not 1 <= position <= size:
        raise ValueError(f"a tree of {size} leaves has no leaf {position}")
    path = []
    start, end = 0, size
    while end - start > 1:
        split = start + _left_size(end - start)
        if position <= split:
            path.append(_range_hash(stored, split, end))
            end = split
        else:
            path.append(_range_hash(stored, start, split))
            start = split
    return path[::-1]


def consistency_path(stored: Lookup, first: int, second: int) -> list[bytes]:
    """Return the proof that a tree of `first` leaves begins one of `second` (RFC 9162 section 2.1.4.1)."""
    if not 1 <= first <= second:
        raise ValueError(f"a tree of {second} leaves doesn't begin with one of {first}")
    path = []
    start, end = 0, second
    while end != first:
        split = start + _left_size(end - start)
        if first <= split:
            path.append(_range_hash(stored, split, end))
            end = split
        else:
            path.append(_range_hash(stored, start, split))
            start = split
    if start > 0:
        path.append(_range_hash(stored, start, end))
    return path[::-1]


def blocks_between(start: int, end: int) -> Iterator[tuple[int, int]]:
    """Split leaves start + 1 to end into the fewest complete subtrees: the first leaf of each, and how many it has."""
    while start < end:
        leaves = 1 << ((end - start).bit_length() - 1)
        if start:
            leaves = min(leaves, start & -start)
        yield start + 1, leaves
        start += leaves


def block_hash(stored: Lookup, first: int, leaves: int) -> bytes:
    """Return the head of one of the complete subtrees of `blocks_between`."""
    return _complete_hash(stored, first + leaves - 1, leaves)


def _left_size(size: int) -> int:
    """Return the largest power of two below a size of 2 or more."""
    return 1 << ((size - 1).bit_length() - 1)


def _range_hash(stored: Lookup, start: int, end: int) -> bytes:
    """Return the head of the tree over leaves start + 1 to end, where RFC 9162 splits a tree at `start`."""
    size = end - start
    if size == size & -size:
        return _complete_hash(stored, end, size)
    split = start + _left_size(size)
    return node_hash(_range_hash(stored, start, split), _range_hash(stored, split, end))


def _complete_hash(stored: Lookup, end: int, size: int) -> bytes:
    if size == 1:
        return stored(end).leaf
    if size == end & -end:
        return stored(end).subtree
    half = size // 2
    return node_hash(_complete_hash(stored, end - half, half), _complete_hash(stored, end, half))
