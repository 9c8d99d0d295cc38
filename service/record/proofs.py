"""Proofs that an entry is in the ledger, and that a longer ledger begins with a shorter one."""

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger, merkle
from service.record.errors import NotFound
from service.record.tables import LedgerEntry

_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True)
class InclusionProof:
    """The path from one leaf to the tree head at a size; hex, from the leaf upwards."""

    position: int
    size: int
    leaf_hash: str
    root_hash: str
    path: list[str]


@dataclass(frozen=True, slots=True)
class ConsistencyProof:
    """The path between the tree heads at two sizes; hex."""

    first: int
    second: int
    first_root_hash: str
    second_root_hash: str
    path: list[str]


def inclusion(session: Session, position: int, size: int | None = None) -> InclusionProof:
    """Prove that an entry is in the ledger of a size, the present one where none is named.

    Raises
    ------
    NotFound
        The ledger isn't that long, or the entry is beyond that size.

    """
    size = ledger.head(session).size if size is None else size
    if not 1 <= position <= size:
        raise NotFound(f"A ledger of {size} entries has no entry {position}.")
    root_hash = ledger.entry(session, size).root_hash
    leaf_hash = ledger.entry(session, position).leaf_hash
    path = _path(session, lambda stored: merkle.inclusion_path(stored, position, size))
    return InclusionProof(position, size, leaf_hash, root_hash, path)


def consistency(session: Session, first: int, second: int | None = None) -> ConsistencyProof:
    """Prove that the ledger of one size begins that of another, the present one where none is named.

    Raises
    ------
    NotFound
        The ledger isn't that long, or the first size is 0 or above the second.

    """
    second = ledger.head(session).size if second is None else second
    if not 1 <= first <= second:
        raise NotFound(f"A ledger of {second} entries doesn't begin with one of {first}.")
    second_root_hash = ledger.entry(session, second).root_hash
    first_root_hash = ledger.entry(session, first).root_hash
    path = _path(session, lambda stored: merkle.consistency_path(stored, first, second))
    return ConsistencyProof(first, second, first_root_hash, second_root_hash, path)


def _path(session: Session, walk: Callable[[merkle.Lookup], list[bytes]]) -> list[str]:
    return [each.hex() for each in gathered(session, walk)]


def gathered(session: Session, walk: Callable[[merkle.Lookup], list[bytes]]) -> list[bytes]:
    """Walk twice: once to learn which hashes are needed, and once with all of them, read together."""
    needed: set[int] = set()

    def note(position: int) -> merkle.Stored:
        needed.add(position)
        return merkle.Stored(b"", b"")

    walk(note)
    positions = list(needed)
    stored: dict[int, merkle.Stored] = {}
    for first in range(0, len(positions), _AT_ONCE):
        query = select(col(LedgerEntry.position), col(LedgerEntry.leaf_hash), col(LedgerEntry.subtree_hash)).where(
            col(LedgerEntry.position).in_(positions[first : first + _AT_ONCE])
        )
        for position, leaf, subtree in session.execute(query):
            stored[position] = merkle.Stored(bytes.fromhex(leaf), bytes.fromhex(subtree))
    return walk(stored.__getitem__)
