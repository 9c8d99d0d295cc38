"""RFC 9162 section 2.1: the hashes of a tree that only grows."""

import hashlib
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
        hashes = list(self.hashes)
        size, joined = self.size, leaf
        while size & 1:
            joined = node_hash(hashes.pop(), joined)
            size >>= 1
        return Frontier(self.size + 1, (*hashes, joined))

    def root(self) -> bytes:
        """Return the tree head (RFC 9162 section 2.1.1)."""
        if not self.hashes:
            return EMPTY_ROOT
        *rest, root = self.hashes
        for subtree in reversed(rest):
            root = node_hash(subtree, root)
        return root
