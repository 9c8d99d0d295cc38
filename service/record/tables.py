from collections.abc import Iterable
from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    LargeBinary,
    String,
    Table,
    Text,
    UniqueConstraint,
)
from sqlmodel import Field, SQLModel
from uuid_utils.compat import uuid7

from service.record.columns import CountingId, UtcDateTime

# Set before the first table, so that both databases know every constraint by the same name and a migration can drop it.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = SQLModel.metadata


def table_of(model: type[SQLModel]) -> Table:
    """Return the table of a model: statements on it pass the unit of work by, which costs more than the database."""
    table: Table = model.__table__  # type: ignore[attr-defined]  # SQLModel makes it
    return table


def _one_of(column: str, values: Iterable[str]) -> CheckConstraint:
    listed = ", ".join(f"'{value}'" for value in values)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")


def _position(*, nullable: bool = False, index: bool = False) -> Any:  # noqa: ANN401  # SQLModel's Field returns Any
    """Make a column that holds the ledger position at which something happened."""
    column: Column[int] = Column(BigInteger, ForeignKey("ledger_entry.position"), nullable=nullable, index=index)
    return Field(default=None, sa_column=column) if nullable else Field(sa_column=column)


class Household(SQLModel, table=True):
    """A kitchen: the unit in which evidence is counted."""

    __tablename__ = "household"

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    join_code_hash: str | None = Field(default=None, max_length=64, unique=True)
    created_at: datetime = Field(sa_type=UtcDateTime)


class Contributor(SQLModel, table=True):
    """Somebody who writes to the record; the token itself is never kept."""

    __tablename__ = "contributor"
    __table_args__ = (CheckConstraint("length(display_name) BETWEEN 1 AND 80", name="display_name_length"),)

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    display_name: str = Field(max_length=80)
    household_id: UUID = Field(foreign_key="household.id", index=True)
    token_hash: str | None = Field(default=None, max_length=64, unique=True)
    is_steward: bool = False
    vouched_position: int | None = _position(nullable=True)
    created_at: datetime = Field(sa_type=UtcDateTime)
    erased_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Question(SQLModel, table=True):
    """A claim put as a comparison of arms."""

    __tablename__ = "question"
    __table_args__ = (
        _one_of("stage", ("ferment", "distil")),
        _one_of("status", ("open", "closed", "merged")),
        CheckConstraint("(status = 'merged') = (merged_into_id IS NOT NULL)", name="merged_somewhere"),
        CheckConstraint("(status = 'merged') = (merged_position IS NOT NULL)", name="merged_sometime"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    slug: str = Field(max_length=100, unique=True)
    title: str = Field(sa_type=Text)
    background: str = Field(sa_type=Text)
    factor: str = Field(sa_type=Text)
    stage: str = Field(max_length=16)
    arms: list[dict[str, Any]] = Field(sa_type=JSON)
    status: str = Field(default="open", max_length=16)
    author_id: UUID = Field(foreign_key="contributor.id", index=True)
    merged_into_id: UUID | None = Field(default=None, foreign_key="question.id", index=True)
    merged_position: int | None = _position(nullable=True)
    position: int = _position(index=True)
    created_at: datetime = Field(sa_type=UtcDateTime)


class Protocol(SQLModel, table=True):
    """One immutable version of how to run a question; the document is the ledger content at `position`."""

    __tablename__ = "protocol"
    __table_args__ = (
        UniqueConstraint("question_id", "version"),
        CheckConstraint("version >= 1", name="version_from_one"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    question_id: UUID = Field(foreign_key="question.id")
    version: int
    author_id: UUID = Field(foreign_key="contributor.id", index=True)
    position: int = _position()
    created_at: datetime = Field(sa_type=UtcDateTime)


class Replication(SQLModel, table=True):
    """One household's run of a protocol.

    `question_id` is the question whose protocol it follows, for ever; `counted_in_id` the one in whose answer it
    stands, which is another once the questions are merged.
    """

    __tablename__ = "replication"
    __table_args__ = (
        ForeignKeyConstraint(["question_id", "protocol_version"], ["protocol.question_id", "protocol.version"]),
        _one_of("state", ("registered", "submitted", "withdrawn", "retracted", "erased")),
        CheckConstraint("revision >= 1", name="revision_from_one"),
        Index("ix_replication_question_id_started_position", "question_id", "started_position"),
        Index("ix_replication_counted_in_id_started_position", "counted_in_id", "started_position"),
        Index("ix_replication_contributor_id_started_position", "contributor_id", "started_position"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    question_id: UUID = Field(foreign_key="question.id")
    counted_in_id: UUID = Field(foreign_key="question.id")
    protocol_version: int
    contributor_id: UUID = Field(foreign_key="contributor.id")
    household_id: UUID = Field(foreign_key="household.id", index=True)
    state: str = Field(max_length=16)
    revision: int = 1
    plan: dict[str, Any] = Field(sa_type=JSON)
    started_position: int = _position(index=True)
    registered_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    registered_position: int | None = _position(nullable=True)
    submitted_position: int | None = _position(nullable=True)
    withdrawal_asked_position: int | None = _position(nullable=True)
    withdrawn_position: int | None = _position(nullable=True)
    retracted_position: int | None = _position(nullable=True)
    erased_position: int | None = _position(nullable=True)
    fingerprint: str = Field(max_length=64, index=True)
    created_at: datetime = Field(sa_type=UtcDateTime)
    updated_at: datetime = Field(sa_type=UtcDateTime)


class ReplicationRevision(SQLModel, table=True):
    """One revision as sent; the document is the ledger content at `position`, under `document`."""

    __tablename__ = "replication_revision"
    __table_args__ = (
        UniqueConstraint("replication_id", "revision"),
        _one_of("state", ("registered", "submitted")),
        CheckConstraint("revision >= 1", name="revision_from_one"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    replication_id: UUID = Field(foreign_key="replication.id")
    revision: int
    state: str = Field(max_length=16)
    reason: str | None = Field(default=None, sa_type=Text)
    position: int = _position()
    created_at: datetime = Field(sa_type=UtcDateTime)


class DeclaredTrial(SQLModel, table=True):
    """One set of presentations that its contributor typed in."""

    __tablename__ = "declared_trial"
    __table_args__ = (
        UniqueConstraint("replication_id", "revision", "ordinal"),
        CheckConstraint("0 <= correct AND correct <= presented", name="correct_within_presented"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    replication_id: UUID = Field(foreign_key="replication.id")
    revision: int
    ordinal: int
    method: str = Field(max_length=16)
    control: str = Field(sa_type=Text)
    treatment: str = Field(sa_type=Text)
    planned: int | None = None
    presented: int
    correct: int
    assessors: int
    order_draw: str | None = Field(default=None, max_length=16)
    told_during: bool | None = None
    key_held_by: str | None = Field(default=None, max_length=16)
    tasted_on: date | None = None


class Observation(SQLModel, table=True):
    """What evidence is pooled from; never changed, only entered at one ledger position and left at a later one.

    `protocol_version` is None where the row follows another question's protocol, and came here by a merge.
    """

    __tablename__ = "observation"
    __table_args__ = (
        _one_of("left_reason", ("amended", "withdrawn", "retracted", "erased", "merged")),
        CheckConstraint("0 <= correct AND correct <= presented", name="correct_within_presented"),
        CheckConstraint("variance >= 0", name="variance_not_negative"),
        # A merge brings along what was retracted before it, which is out of the answer from the start.
        CheckConstraint(
            "left_position > entered_position OR (left_position = entered_position AND left_reason = 'retracted')",
            name="leaves_after_entering",
        ),
        CheckConstraint("(left_position IS NULL) = (left_reason IS NULL)", name="leaves_for_a_reason"),
        Index("ix_observation_question_id_entered_position", "question_id", "entered_position"),
    )

    id: int | None = Field(default=None, sa_column=Column(CountingId, primary_key=True, autoincrement=True))
    question_id: UUID = Field(foreign_key="question.id")
    replication_id: UUID = Field(foreign_key="replication.id", index=True)
    household_id: UUID = Field(foreign_key="household.id")
    contributor_id: UUID = Field(foreign_key="contributor.id")
    protocol_version: int | None = None
    control: str = Field(sa_type=Text)
    treatment: str = Field(sa_type=Text)
    outcome: str = Field(sa_type=Text)
    sham: bool = False
    method: str | None = Field(default=None, max_length=16)
    presented: int | None = None
    correct: int | None = None
    assessors: int | None = None
    difference: float | None = None
    variance: float | None = None
    control_event: bool | None = None
    treatment_event: bool | None = None
    details: dict[str, Any] = Field(sa_type=JSON)
    sealed: bool = False
    registered: bool = False
    conditions_met: bool | None = None
    outside_the_test: str | None = Field(default=None, sa_type=Text)
    flags: list[str] = Field(sa_type=JSON)
    moderators: dict[str, Any] = Field(sa_type=JSON)
    entered_position: int = _position()
    left_position: int | None = _position(nullable=True)
    left_reason: str | None = Field(default=None, max_length=16)


class QuestionReport(SQLModel, table=True):
    """An impression from somebody who knew which glass was which; counted apart, never pooled."""

    __tablename__ = "question_report"
    __table_args__ = (
        _one_of("leans", ("control", "treatment", "neither")),
        Index("ix_question_report_question_id_position", "question_id", "position"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    question_id: UUID = Field(foreign_key="question.id")
    contributor_id: UUID = Field(foreign_key="contributor.id", index=True)
    leans: str = Field(max_length=16)
    text: str = Field(sa_type=Text)
    position: int = _position()
    created_at: datetime = Field(sa_type=UtcDateTime)


class LedgerHead(SQLModel, table=True):
    """The one row that every append locks until it commits."""

    __tablename__ = "ledger_head"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: int = Field(default=1, sa_column=Column(BigInteger, primary_key=True, autoincrement=False))
    size: int = Field(sa_type=BigInteger)
    root_hash: str = Field(max_length=64)
    at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    frontier: list[str] = Field(sa_type=JSON)


class LedgerEntry(SQLModel, table=True):
    """One leaf.

    `question_id` names the question whose evidence it touches; it is no foreign key, because a leaf is written before
    the rows that carry its position. `subtree_hash` is the largest complete subtree ending here: proofs are made from
    it and the leaves, without reading the whole tree.
    """

    __tablename__ = "ledger_entry"
    __table_args__ = (
        Index("ix_ledger_entry_question_id_position", "question_id", "position"),
        Index("ix_ledger_entry_subject_position", "subject", "position"),
    )

    position: int = Field(sa_column=Column(BigInteger, primary_key=True, autoincrement=False))
    kind: str = Field(max_length=16)
    subject: str = Field(sa_type=String(100))
    at: datetime = Field(sa_type=UtcDateTime, index=True)
    content_hash: str = Field(max_length=64)
    leaf_hash: str = Field(max_length=64)
    root_hash: str = Field(max_length=64)
    subtree_hash: str = Field(max_length=64)
    question_id: UUID | None = None


class LedgerContent(SQLModel, table=True):
    """The one home of every document; a row may be erased, its leaf stays."""

    __tablename__ = "ledger_content"

    position: int = Field(
        sa_column=Column(BigInteger, ForeignKey("ledger_entry.position"), primary_key=True, autoincrement=False)
    )
    salt: str = Field(max_length=64)
    content: str = Field(sa_type=Text)


class IdempotencyKey(SQLModel, table=True):
    """An answer kept so that the same request gets it again."""

    __tablename__ = "idempotency_key"
    __table_args__ = (UniqueConstraint("contributor_id", "method", "path", "key"),)

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    contributor_id: UUID = Field(foreign_key="contributor.id")
    method: str = Field(max_length=8)
    path: str = Field(sa_type=Text)
    key: str = Field(max_length=255)
    request_hash: str = Field(max_length=64)
    status: int | None = None
    location: str | None = Field(default=None, sa_type=Text)
    etag: str | None = Field(default=None, sa_type=Text)
    body: bytes | None = Field(default=None, sa_type=LargeBinary)
    created_at: datetime = Field(sa_type=UtcDateTime, index=True)


class KeptColumn(SQLModel, table=True):
    """A column of what stood in a question's evidence up to a position; derived, and missed by nobody when deleted.

    `layout` says how it is written: only software that knows it reads it.
    """

    __tablename__ = "kept_column"

    question_id: UUID = Field(foreign_key="question.id", primary_key=True)
    position: int = Field(
        sa_column=Column(BigInteger, ForeignKey("ledger_entry.position"), primary_key=True, autoincrement=False)
    )
    name: str = Field(max_length=60, primary_key=True)
    layout: int
    content: bytes = Field(sa_type=LargeBinary)
