"""What the record room raises.

RecordError
├── NotFound             no such row, or none that may be known of
├── Conflict             the state of the record forbids it
│   ├── StaleRevision    somebody wrote a newer revision first
│   └── InFlight         the same write is being made by another request
├── IdempotencyMismatch  the key was used before with another body
├── SchemaAhead          the tables were made by a newer version
├── NotCanonical         content that RFC 8785 has no bytes for
├── NoSealingKey         a trial can't be sealed, or what was sealed can't be opened
└── Unavailable          locked, full, cut off: the same call may succeed later
    └── Contended        the database undid the transaction to let another one through
"""

# ruff: noqa: N818  # each name says what happened; the root says that it is an error


class RecordError(Exception):
    """Root of everything the record room raises on purpose; `detail` says what to do about it."""

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.detail = detail


class NotFound(RecordError):
    """There is no such row."""


class Conflict(RecordError):
    """The state of the record forbids the write."""


class StaleRevision(Conflict):
    """The edit was made from a revision that is no longer the newest.

    Parameters
    ----------
    expected : int
        Revision the edit was made from.
    current : int
        Newest revision in the record.

    """

    def __init__(self, expected: int, current: int) -> None:
        super().__init__(
            f"The edit was made from revision {expected}, the newest is {current}: read it, and edit that."
        )
        self.expected = expected
        self.current = current


class InFlight(Conflict):
    """A request with the same idempotency key is still being answered."""


class IdempotencyMismatch(RecordError):
    """An idempotency key came back with another body."""


class SchemaAhead(RecordError):
    """The tables are at a revision that this software doesn't know."""


class NotCanonical(RecordError):
    """Content that has no RFC 8785 form: NaN, an integer beyond 2**53, a lone surrogate, an unknown type."""


class NoSealingKey(RecordError):
    """The host has set no key to seal trials under, or another one than a trial was sealed under."""


class Unavailable(RecordError):
    """The database is locked, full or out of reach; trying again later may succeed."""


class Contended(Unavailable):
    """The database undid the transaction (deadlock, serialization); `Database.run_write` runs it again."""
