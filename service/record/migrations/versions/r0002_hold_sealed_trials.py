"""Hold sealed trials."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Hold sealed trials."""
    op.create_table(
        "sealed_trial",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("replication_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("method", sa.String(length=16), nullable=False),
        sa.Column("control", sa.Text(), nullable=False),
        sa.Column("treatment", sa.Text(), nullable=False),
        sa.Column("presentations", sa.Integer(), nullable=False),
        sa.Column("order_draw", sa.String(length=16), nullable=False),
        sa.Column("serving", sa.JSON(), nullable=False),
        sa.Column("sealed_key", sa.LargeBinary(), nullable=False),
        sa.Column("key_commitment", sa.String(length=64), nullable=False),
        sa.Column("helper_hash", sa.String(length=64), nullable=False),
        sa.Column("pour_sheet_openings", sa.Integer(), nullable=False),
        sa.Column("pour_sheet_opened_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opened_position", sa.BigInteger(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_position", sa.BigInteger(), nullable=True),
        sa.Column("ended_by", sa.String(length=16), nullable=True),
        sa.CheckConstraint(
            "ended_by IN ('tasters', 'helper', 'owner', 'steward', 'age')", name=op.f("ck_sealed_trial_ended_by_known")
        ),
        sa.CheckConstraint(
            "(closed_position IS NULL) = (closed_at IS NULL)", name=op.f("ck_sealed_trial_ends_sometime")
        ),
        sa.CheckConstraint(
            "(closed_position IS NULL) = (ended_by IS NULL)", name=op.f("ck_sealed_trial_ends_for_a_reason")
        ),
        sa.CheckConstraint("presentations >= 1", name=op.f("ck_sealed_trial_presentations_from_one")),
        sa.ForeignKeyConstraint(
            ["closed_position"], ["ledger_entry.position"], name=op.f("fk_sealed_trial_closed_position")
        ),
        sa.ForeignKeyConstraint(
            ["opened_position"], ["ledger_entry.position"], name=op.f("fk_sealed_trial_opened_position")
        ),
        sa.ForeignKeyConstraint(["replication_id"], ["replication.id"], name=op.f("fk_sealed_trial_replication_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sealed_trial")),
        sa.UniqueConstraint("helper_hash", name=op.f("uq_sealed_trial_helper_hash")),
        sa.UniqueConstraint("replication_id", "number", name=op.f("uq_sealed_trial_replication_id_number")),
    )
    op.create_table(
        "sealed_taster",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("trial_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("assessor", sa.Text(), nullable=False),
        sa.Column("link_hash", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["trial_id"], ["sealed_trial.id"], name=op.f("fk_sealed_taster_trial_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sealed_taster")),
        sa.UniqueConstraint("link_hash", name=op.f("uq_sealed_taster_link_hash")),
        sa.UniqueConstraint("trial_id", "number", name=op.f("uq_sealed_taster_trial_id_number")),
    )
    op.create_table(
        "sealed_answer",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("taster_id", sa.Uuid(), nullable=False),
        sa.Column("presentation", sa.Integer(), nullable=False),
        sa.Column("answer", sa.JSON(), nullable=False),
        sa.Column("answered_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("presentation >= 1", name=op.f("ck_sealed_answer_presentation_from_one")),
        sa.ForeignKeyConstraint(["taster_id"], ["sealed_taster.id"], name=op.f("fk_sealed_answer_taster_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sealed_answer")),
        sa.UniqueConstraint("taster_id", "presentation", name=op.f("uq_sealed_answer_taster_id_presentation")),
    )
