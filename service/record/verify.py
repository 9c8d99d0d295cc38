"""Recomputes the whole ledger."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger, merkle
from service.record.ledger import ENTRY_COLUMNS
from service.record.tables import LedgerContent, LedgerEntry, LedgerHead

_AT_ONCE = 1000


@dataclass(frozen=True, slots=True)
class Problem:
    """Something in the ledger that isn't what it must be."""

    position: int
    detail: str


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was recomputed, and everything that didn't agree."""

    size: int
    root_hash: str
    contents: int
    erased: int
    problems: tuple[Problem, ...]
    withheld: int = 0

    @property
    def whole(self) -> bool:
        """Whether everything agreed."""
        return not self.problems


@dataclass(slots=True)
class _Walk:
    known: "KnownHead | None" = None
    frontier: merkle.Frontier = field(default_factory=merkle.Frontier)
    at: datetime | None = None
    contents: int = 0
    missing: set[int] = field(default_factory=set)
    erased: set[int] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)

    def object_to(self, position: int, detail: str) -> None:
        self.problems.append(Problem(position, detail))


Progress = Callable[[int, int], None]
"""Told how many entries are done, and of how many."""


@dataclass(frozen=True, slots=True)
class KnownHead:
    """A tree head that somebody kept: whether the record still grows from it shows that nobody rewrote it since."""

    size: int
    root_hash: str


def verify(session: Session, *, known: KnownHead | None = None, progress: Progress | None = None) -> VerifyReport:
    """Recompute every hash, the order of positions and times, and the tree head.

    It establishes that the history is unaltered, not that what people submitted is true. A missing content is in order
    where an erasure names its position, and a problem anywhere else.

    Parameters
    ----------
    session : Session
        A reading session.
    known : KnownHead or None
        A head seen before, which the ledger must have had at that size.
    progress : callable or None
        Called now and then.

    """
    walk = _Walk(known)
    total = session.execute(select(col(LedgerHead.size))).scalar_one()
    for row in _rows(session):
        _check_entry(walk, row)
        _check_content(walk, row)
        if progress is not None and walk.frontier.size % _AT_ONCE == 0:
            progress(walk.frontier.size, total)
    if known is not None and known.size > walk.frontier.size:
        walk.object_to(walk.frontier.size, f"the ledger ends here; the head you know is of {known.size} entries")
    for position in sorted(walk.missing - walk.erased):
        walk.object_to(position, "its content is missing, and no erasure names it")
    head = session.execute(
        select(col(LedgerHead.size), col(LedgerHead.root_hash), col(LedgerHead.at), col(LedgerHead.frontier))
    ).one()
    root_hash = walk.frontier.root().hex()
    kept = (head.size, head.root_hash, head.at, head.frontier)
    if kept != (walk.frontier.size, root_hash, walk.at, [each.hex() for each in walk.frontier.hashes]):
        walk.object_to(walk.frontier.size, "the head isn't the head of these entries")
    return VerifyReport(
        walk.frontier.size, root_hash, walk.contents, len(walk.missing & walk.erased), tuple(walk.problems)
    )


def _rows(session: Session) -> Iterator[Any]:
    after = 0
    while True:
        query = (
            select(*ENTRY_COLUMNS, col(LedgerEntry.subtree_hash), col(LedgerContent.salt), col(LedgerContent.content))
            .outerjoin(LedgerContent, col(LedgerContent.position) == col(LedgerEntry.position))
            .where(col(LedgerEntry.position) > after)
            .order_by(col(LedgerEntry.position))
            .limit(_AT_ONCE)
        )
        rows = session.execute(query).all()
        yield from rows
        if len(rows) < _AT_ONCE:
            return
        after = rows[-1].position


def _check_entry(walk: _Walk, entry: Any) -> None:  # noqa: ANN401  # a row of named columns
    position = entry.position
    if position != walk.frontier.size + 1:
        walk.object_to(position, f"position {walk.frontier.size + 1} should come here")
    if walk.at is not None and entry.at < walk.at:
        walk.object_to(position, "its time is before that of the entry before")
    leaf = merkle.leaf_hash(
        ledger.leaf_bytes(
            position=position, kind=entry.kind, subject=entry.subject, at=entry.at, content_hash=entry.content_hash
        )
    )
    walk.at = entry.at
    walk.frontier = walk.frontier.append(leaf)
    computed = (leaf.hex(), walk.frontier.root().hex(), walk.frontier.hashes[-1].hex())
    for name, value in zip(("leaf_hash", "root_hash", "subtree_hash"), computed, strict=True):
        if getattr(entry, name) != value:
            walk.object_to(position, f"its {name} isn't the hash of what it holds")
    if walk.known is not None and walk.known.size == position and walk.known.root_hash != walk.frontier.root().hex():
        walk.object_to(position, "the head at this size isn't the one you know: the history was rewritten")


def _check_content(walk: _Walk, entry: Any) -> None:  # noqa: ANN401  # a row of named columns
    if entry.salt is None or entry.content is None:
        walk.missing.add(entry.position)
        return
    walk.contents += 1
    if ledger.content_hash(bytes.fromhex(entry.salt), entry.content.encode()) != entry.content_hash:
        walk.object_to(entry.position, "its content isn't what its content_hash was made from")
    elif entry.kind == "erasure":
        walk.erased.update(json.loads(entry.content)["positions"])
