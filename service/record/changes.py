"""What the ledger says has changed of a question since it was read."""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record.tables import LedgerEntry

_OF_REPLICATIONS = frozenset({"registration", "submission", "amendment", "withdrawal", "retraction"})
"""Entries whose subject is the replication that they change."""
_OF_CONTRIBUTORS = frozenset({"vouch"})
"""Entries whose subject is the contributor whose replications they change."""
_UNTOUCHING = frozenset({"question", "protocol", "report", "trial-opened", "trial-closed"})
"""Entries that change no observation, and nothing of what became of a replication."""

_KNOWN = _OF_REPLICATIONS | _OF_CONTRIBUTORS | _UNTOUCHING


@dataclass(frozen=True, slots=True)
class Changed:
    """What is to be read again; replications in order of their first entry, so that new ones are in order of start."""

    replications: tuple[UUID, ...]
    contributors: tuple[UUID, ...]

    def __len__(self) -> int:
        return len(self.replications) + len(self.contributors)


def since(session: Session, question_id: UUID, position: int, most: int) -> Changed | None:
    """Return what entries after a position are about; None where all is to be read.

    After an erasure nothing that was read before it is kept, a merge moves rows by the thousand, and to follow more
    than `most` entries takes as long as reading everything.
    """
    query = (
        select(col(LedgerEntry.kind), col(LedgerEntry.subject))
        .where(col(LedgerEntry.question_id) == question_id, col(LedgerEntry.position) > position)
        .order_by(col(LedgerEntry.position))
        .limit(most + 1)
    )
    entries = [(kind, subject) for kind, subject in session.execute(query)]
    if len(entries) > most or not {kind for kind, _ in entries} <= _KNOWN:
        return None
    return Changed(_subjects(entries, _OF_REPLICATIONS), _subjects(entries, _OF_CONTRIBUTORS))


def can_be_followed(session: Session, question_id: UUID, position: int) -> bool:
    """Say whether nothing after a position makes all be read again, whatever the number of entries."""
    query = select(col(LedgerEntry.kind)).where(
        col(LedgerEntry.question_id) == question_id,
        col(LedgerEntry.position) > position,
        col(LedgerEntry.kind).not_in(_KNOWN),
    )
    return session.execute(query.limit(1)).first() is None


def _subjects(entries: Iterable[tuple[str, str]], kinds: frozenset[str]) -> tuple[UUID, ...]:
    return tuple(map(UUID, dict.fromkeys(subject for kind, subject in entries if kind in kinds)))
