from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import JSON, BigInteger, CheckConstraint, Column, ForeignKey, LargeBinary, Text, UniqueConstraint
from sqlmodel import Field, SQLModel
from uuid_utils.compat import uuid7

from service.record.columns import UtcDateTime


class SealedTrial(SQLModel, table=True):
    """A blind trial whose key the service holds.

    Who gets which glass stands only in `sealed_key`, encrypted, until the trial ends: then the key is in the ledger
    content at `closed_position`. `serving` says how it is poured, and what is asked beside each set.
    """

    __tablename__ = "sealed_trial"
    __table_args__ = (
        UniqueConstraint("replication_id", "number"),
        CheckConstraint("ended_by IN ('tasters', 'helper', 'owner', 'steward', 'age')", name="ended_by_known"),
        CheckConstraint("(closed_position IS NULL) = (ended_by IS NULL)", name="ends_for_a_reason"),
        CheckConstraint("(closed_position IS NULL) = (closed_at IS NULL)", name="ends_sometime"),
        CheckConstraint("presentations >= 1", name="presentations_from_one"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    replication_id: UUID = Field(foreign_key="replication.id")
    number: int
    method: str = Field(max_length=16)
    control: str = Field(sa_type=Text)
    treatment: str = Field(sa_type=Text)
    presentations: int
    order_draw: str = Field(max_length=16)
    serving: dict[str, Any] = Field(sa_type=JSON)
    sealed_key: bytes = Field(sa_type=LargeBinary)
    key_commitment: str = Field(max_length=64)
    helper_hash: str = Field(max_length=64, unique=True)
    pour_sheet_openings: int = 0
    pour_sheet_opened_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    opened_at: datetime = Field(sa_type=UtcDateTime)
    opened_position: int = Field(sa_column=Column(BigInteger, ForeignKey("ledger_entry.position"), nullable=False))
    due_at: datetime = Field(sa_type=UtcDateTime)
    closed_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    closed_position: int | None = Field(
        default=None, sa_column=Column(BigInteger, ForeignKey("ledger_entry.position"), nullable=True)
    )
    ended_by: str | None = Field(default=None, max_length=16)


class SealedTaster(SQLModel, table=True):
    """Somebody who tastes in a sealed trial, known by a code; of the link only the hash is kept."""

    __tablename__ = "sealed_taster"
    __table_args__ = (UniqueConstraint("trial_id", "number"),)

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    trial_id: UUID = Field(foreign_key="sealed_trial.id")
    number: int
    assessor: str = Field(sa_type=Text)
    link_hash: str = Field(max_length=64, unique=True)


class SealedAnswer(SQLModel, table=True):
    """What a taster answered to one set: the codes, never whether they were right."""

    __tablename__ = "sealed_answer"
    __table_args__ = (
        UniqueConstraint("taster_id", "presentation"),
        CheckConstraint("presentation >= 1", name="presentation_from_one"),
    )

    id: UUID = Field(default_factory=uuid7, primary_key=True)
    taster_id: UUID = Field(foreign_key="sealed_taster.id")
    presentation: int
    answer: dict[str, Any] = Field(sa_type=JSON)
    answered_at: datetime = Field(sa_type=UtcDateTime)
