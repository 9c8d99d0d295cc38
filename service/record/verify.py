"""Recomputes the whole ledger."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger, merkle
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

    @property
    def whole(self) -> bool:
        """Whether everything agreed."""
        return not self.problems


@dataclass(slots=True)
class _Walk:
    frontier: merkle.Frontier = field(default_factory=merkle.Frontier)
    at: datetime | None = None
    contents: int = 0
    missing: set[int] = field(default_factory=set)
    erased: set[int] = field(default_factory=set)
    problems: list[Problem] = field(default_factory=list)

    def object_to(self, position: int, detail: str) -> None:
        self.problems.append(Problem(position, detail))


def verify(session: Session) -> VerifyReport:
    """Recompute every hash, the order of positions and times, and the tree head.

    A missing content is in order where an erasure names its position, and a problem anywhere else.
    """
    walk = _Walk()
    for row in _rows(session):
        _check_entry(walk, row.LedgerEntry)
        _check_content(walk, row.LedgerEntry, row.salt, row.content)
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
            select(LedgerEntry, col(LedgerContent.salt), col(LedgerContent.content))
            .outerjoin(LedgerContent, col(LedgerContent.position) == col(LedgerEntry.position))
            .where(col(LedgerEntry.position) > after)
            .order_by(col(LedgerEntry.position))
            .limit(_AT_ONCE)
        )
        rows = session.execute(query).all()
        yield from rows
        if len(rows) < _AT_ONCE:
            return
        after = rows[-1].LedgerEntry.position
        session.expunge_all()


def _check_entry(walk: _Walk, entry: LedgerEntry) -> None:
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


def _check_content(walk: _Walk, entry: LedgerEntry, salt: str | None, content: str | None) -> None:
    if salt is None or content is None:
        walk.missing.add(entry.position)
        return
    walk.contents += 1
    if ledger.content_hash(bytes.fromhex(salt), content.encode()) != entry.content_hash:
        walk.object_to(entry.position, "its content isn't what its content_hash was made from")
    elif entry.kind == "erasure":
        walk.erased.update(json.loads(content)["positions"])
