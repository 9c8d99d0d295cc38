"""Lay out the record."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Lay out the record."""
    op.create_table(
        "household",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("join_code_hash", sa.String(length=64), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_household"),
        sa.UniqueConstraint("join_code_hash", name="uq_household_join_code_hash"),
    )
    op.create_table(
        "ledger_entry",
        sa.Column("position", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("subject", sa.String(length=100), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("content_hash", sa.String(length=64), nullable=False),
        sa.Column("leaf_hash", sa.String(length=64), nullable=False),
        sa.Column("root_hash", sa.String(length=64), nullable=False),
        sa.Column("subtree_hash", sa.String(length=64), nullable=False),
        sa.Column("question_id", sa.Uuid(), nullable=True),
        sa.PrimaryKeyConstraint("position", name="pk_ledger_entry"),
    )
    op.create_index("ix_ledger_entry_at", "ledger_entry", ["at"])
    op.create_index("ix_ledger_entry_question_id_position", "ledger_entry", ["question_id", "position"])
    op.create_index("ix_ledger_entry_subject_position", "ledger_entry", ["subject", "position"])

    op.create_table(
        "ledger_head",
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("root_hash", sa.String(length=64), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("frontier", sa.JSON(), nullable=False),
        sa.CheckConstraint("id = 1", name=op.f("ck_ledger_head_one_row")),
        sa.PrimaryKeyConstraint("id", name="pk_ledger_head"),
    )
    op.create_table(
        "contributor",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("display_name", sa.String(length=80), nullable=False),
        sa.Column("household_id", sa.Uuid(), nullable=False),
        sa.Column("token_hash", sa.String(length=64), nullable=True),
        sa.Column("is_steward", sa.Boolean(), nullable=False),
        sa.Column("vouched_position", sa.BigInteger(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("erased_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("length(display_name) BETWEEN 1 AND 80", name=op.f("ck_contributor_display_name_length")),
        sa.ForeignKeyConstraint(["household_id"], ["household.id"], name="fk_contributor_household_id"),
        sa.ForeignKeyConstraint(
            ["vouched_position"], ["ledger_entry.position"], name="fk_contributor_vouched_position"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_contributor"),
        sa.UniqueConstraint("token_hash", name="uq_contributor_token_hash"),
    )
    op.create_index("ix_contributor_household_id", "contributor", ["household_id"])

    op.create_table(
        "ledger_content",
        sa.Column("position", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("salt", sa.String(length=64), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["position"], ["ledger_entry.position"], name="fk_ledger_content_position"),
        sa.PrimaryKeyConstraint("position", name="pk_ledger_content"),
    )
    op.create_table(
        "idempotency_key",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("contributor_id", sa.Uuid(), nullable=False),
        sa.Column("method", sa.String(length=8), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("request_hash", sa.String(length=64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("location", sa.Text(), nullable=True),
        sa.Column("etag", sa.Text(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["contributor_id"], ["contributor.id"], name="fk_idempotency_key_contributor_id"),
        sa.PrimaryKeyConstraint("id", name="pk_idempotency_key"),
        sa.UniqueConstraint(
            "contributor_id", "method", "path", "key", name="uq_idempotency_key_contributor_id_method_path_key"
        ),
    )
    op.create_index("ix_idempotency_key_created_at", "idempotency_key", ["created_at"])

    op.create_table(
        "question",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("slug", sa.String(length=100), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("background", sa.Text(), nullable=False),
        sa.Column("factor", sa.Text(), nullable=False),
        sa.Column("stage", sa.String(length=16), nullable=False),
        sa.Column("arms", sa.JSON(), nullable=False),
        sa.Column("status", sa.String(length=16), nullable=False),
        sa.Column("author_id", sa.Uuid(), nullable=False),
        sa.Column("merged_into_id", sa.Uuid(), nullable=True),
        sa.Column("merged_position", sa.BigInteger(), nullable=True),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "(status = 'merged') = (merged_into_id IS NOT NULL)", name=op.f("ck_question_merged_somewhere")
        ),
        sa.CheckConstraint(
            "(status = 'merged') = (merged_position IS NOT NULL)", name=op.f("ck_question_merged_sometime")
        ),
        sa.CheckConstraint("stage IN ('ferment', 'distil')", name=op.f("ck_question_stage_known")),
        sa.CheckConstraint("status IN ('open', 'closed', 'merged')", name=op.f("ck_question_status_known")),
        sa.ForeignKeyConstraint(["author_id"], ["contributor.id"], name="fk_question_author_id"),
        sa.ForeignKeyConstraint(["merged_into_id"], ["question.id"], name="fk_question_merged_into_id"),
        sa.ForeignKeyConstraint(["merged_position"], ["ledger_entry.position"], name="fk_question_merged_position"),
        sa.ForeignKeyConstraint(["position"], ["ledger_entry.position"], name="fk_question_position"),
        sa.PrimaryKeyConstraint("id", name="pk_question"),
        sa.UniqueConstraint("slug", name="uq_question_slug"),
    )
    op.create_index("ix_question_author_id", "question", ["author_id"])
    op.create_index("ix_question_merged_into_id", "question", ["merged_into_id"])
    op.create_index("ix_question_position", "question", ["position"])

    op.create_table(
        "protocol",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("question_id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("author_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("version >= 1", name=op.f("ck_protocol_version_from_one")),
        sa.ForeignKeyConstraint(["author_id"], ["contributor.id"], name="fk_protocol_author_id"),
        sa.ForeignKeyConstraint(["position"], ["ledger_entry.position"], name="fk_protocol_position"),
        sa.ForeignKeyConstraint(["question_id"], ["question.id"], name="fk_protocol_question_id"),
        sa.PrimaryKeyConstraint("id", name="pk_protocol"),
        sa.UniqueConstraint("question_id", "version", name="uq_protocol_question_id_version"),
    )
    op.create_index("ix_protocol_author_id", "protocol", ["author_id"])

    op.create_table(
        "question_report",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("question_id", sa.Uuid(), nullable=False),
        sa.Column("contributor_id", sa.Uuid(), nullable=False),
        sa.Column("leans", sa.String(length=16), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("leans IN ('control', 'treatment', 'neither')", name=op.f("ck_question_report_leans_known")),
        sa.ForeignKeyConstraint(["contributor_id"], ["contributor.id"], name="fk_question_report_contributor_id"),
        sa.ForeignKeyConstraint(["position"], ["ledger_entry.position"], name="fk_question_report_position"),
        sa.ForeignKeyConstraint(["question_id"], ["question.id"], name="fk_question_report_question_id"),
        sa.PrimaryKeyConstraint("id", name="pk_question_report"),
    )
    op.create_index("ix_question_report_contributor_id", "question_report", ["contributor_id"])
    op.create_index("ix_question_report_question_id_position", "question_report", ["question_id", "position"])

    op.create_table(
        "replication",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("question_id", sa.Uuid(), nullable=False),
        sa.Column("counted_in_id", sa.Uuid(), nullable=False),
        sa.Column("protocol_version", sa.Integer(), nullable=False),
        sa.Column("contributor_id", sa.Uuid(), nullable=False),
        sa.Column("household_id", sa.Uuid(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("started_position", sa.BigInteger(), nullable=False),
        sa.Column("registered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("registered_position", sa.BigInteger(), nullable=True),
        sa.Column("submitted_position", sa.BigInteger(), nullable=True),
        sa.Column("withdrawal_asked_position", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_position", sa.BigInteger(), nullable=True),
        sa.Column("retracted_position", sa.BigInteger(), nullable=True),
        sa.Column("erased_position", sa.BigInteger(), nullable=True),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "state IN ('registered', 'submitted', 'withdrawn', 'retracted', 'erased')",
            name=op.f("ck_replication_state_known"),
        ),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_replication_revision_from_one")),
        sa.ForeignKeyConstraint(["contributor_id"], ["contributor.id"], name="fk_replication_contributor_id"),
        sa.ForeignKeyConstraint(["counted_in_id"], ["question.id"], name="fk_replication_counted_in_id"),
        sa.ForeignKeyConstraint(["erased_position"], ["ledger_entry.position"], name="fk_replication_erased_position"),
        sa.ForeignKeyConstraint(["household_id"], ["household.id"], name="fk_replication_household_id"),
        sa.ForeignKeyConstraint(
            ["question_id", "protocol_version"],
            ["protocol.question_id", "protocol.version"],
            name="fk_replication_question_id_protocol_version",
        ),
        sa.ForeignKeyConstraint(["question_id"], ["question.id"], name="fk_replication_question_id"),
        sa.ForeignKeyConstraint(
            ["registered_position"], ["ledger_entry.position"], name="fk_replication_registered_position"
        ),
        sa.ForeignKeyConstraint(
            ["retracted_position"], ["ledger_entry.position"], name="fk_replication_retracted_position"
        ),
        sa.ForeignKeyConstraint(
            ["started_position"], ["ledger_entry.position"], name="fk_replication_started_position"
        ),
        sa.ForeignKeyConstraint(
            ["submitted_position"], ["ledger_entry.position"], name="fk_replication_submitted_position"
        ),
        sa.ForeignKeyConstraint(
            ["withdrawal_asked_position"], ["ledger_entry.position"], name="fk_replication_withdrawal_asked_position"
        ),
        sa.ForeignKeyConstraint(
            ["withdrawn_position"], ["ledger_entry.position"], name="fk_replication_withdrawn_position"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_replication"),
    )
    op.create_index(
        "ix_replication_contributor_id_started_position", "replication", ["contributor_id", "started_position"]
    )
    op.create_index(
        "ix_replication_counted_in_id_started_position", "replication", ["counted_in_id", "started_position"]
    )
    op.create_index("ix_replication_fingerprint", "replication", ["fingerprint"])
    op.create_index("ix_replication_household_id", "replication", ["household_id"])
    op.create_index("ix_replication_question_id_started_position", "replication", ["question_id", "started_position"])
    op.create_index("ix_replication_started_position", "replication", ["started_position"])

    op.create_table(
        "declared_trial",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("replication_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("method", sa.String(length=16), nullable=False),
        sa.Column("control", sa.Text(), nullable=False),
        sa.Column("treatment", sa.Text(), nullable=False),
        sa.Column("planned", sa.Integer(), nullable=True),
        sa.Column("presented", sa.Integer(), nullable=False),
        sa.Column("correct", sa.Integer(), nullable=False),
        sa.Column("assessors", sa.Integer(), nullable=False),
        sa.Column("order_draw", sa.String(length=16), nullable=True),
        sa.Column("told_during", sa.Boolean(), nullable=True),
        sa.Column("key_held_by", sa.String(length=16), nullable=True),
        sa.Column("tasted_on", sa.Date(), nullable=True),
        sa.CheckConstraint(
            "0 <= correct AND correct <= presented", name=op.f("ck_declared_trial_correct_within_presented")
        ),
        sa.ForeignKeyConstraint(["replication_id"], ["replication.id"], name="fk_declared_trial_replication_id"),
        sa.PrimaryKeyConstraint("id", name="pk_declared_trial"),
        sa.UniqueConstraint(
            "replication_id", "revision", "ordinal", name="uq_declared_trial_replication_id_revision_ordinal"
        ),
    )
    op.create_table(
        "observation",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=True, nullable=False),
        sa.Column("question_id", sa.Uuid(), nullable=False),
        sa.Column("replication_id", sa.Uuid(), nullable=False),
        sa.Column("household_id", sa.Uuid(), nullable=False),
        sa.Column("contributor_id", sa.Uuid(), nullable=False),
        sa.Column("protocol_version", sa.Integer(), nullable=True),
        sa.Column("control", sa.Text(), nullable=False),
        sa.Column("treatment", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("sham", sa.Boolean(), nullable=False),
        sa.Column("method", sa.String(length=16), nullable=True),
        sa.Column("presented", sa.Integer(), nullable=True),
        sa.Column("correct", sa.Integer(), nullable=True),
        sa.Column("assessors", sa.Integer(), nullable=True),
        sa.Column("difference", sa.Float(), nullable=True),
        sa.Column("variance", sa.Float(), nullable=True),
        sa.Column("control_event", sa.Boolean(), nullable=True),
        sa.Column("treatment_event", sa.Boolean(), nullable=True),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.Column("sealed", sa.Boolean(), nullable=False),
        sa.Column("registered", sa.Boolean(), nullable=False),
        sa.Column("conditions_met", sa.Boolean(), nullable=True),
        sa.Column("outside_the_test", sa.Text(), nullable=True),
        sa.Column("flags", sa.JSON(), nullable=False),
        sa.Column("moderators", sa.JSON(), nullable=False),
        sa.Column("entered_position", sa.BigInteger(), nullable=False),
        sa.Column("left_position", sa.BigInteger(), nullable=True),
        sa.Column("left_reason", sa.String(length=16), nullable=True),
        sa.CheckConstraint(
            "left_position > entered_position OR (left_position = entered_position AND left_reason = 'retracted')",
            name=op.f("ck_observation_leaves_after_entering"),
        ),
        sa.CheckConstraint(
            "left_reason IN ('amended', 'withdrawn', 'retracted', 'erased', 'merged')",
            name=op.f("ck_observation_left_reason_known"),
        ),
        sa.CheckConstraint(
            "(left_position IS NULL) = (left_reason IS NULL)", name=op.f("ck_observation_leaves_for_a_reason")
        ),
        sa.CheckConstraint(
            "0 <= correct AND correct <= presented", name=op.f("ck_observation_correct_within_presented")
        ),
        sa.CheckConstraint("variance >= 0", name=op.f("ck_observation_variance_not_negative")),
        sa.ForeignKeyConstraint(["contributor_id"], ["contributor.id"], name="fk_observation_contributor_id"),
        sa.ForeignKeyConstraint(
            ["entered_position"], ["ledger_entry.position"], name="fk_observation_entered_position"
        ),
        sa.ForeignKeyConstraint(["household_id"], ["household.id"], name="fk_observation_household_id"),
        sa.ForeignKeyConstraint(["left_position"], ["ledger_entry.position"], name="fk_observation_left_position"),
        sa.ForeignKeyConstraint(["question_id"], ["question.id"], name="fk_observation_question_id"),
        sa.ForeignKeyConstraint(["replication_id"], ["replication.id"], name="fk_observation_replication_id"),
        sa.PrimaryKeyConstraint("id", name="pk_observation"),
    )
    op.create_index("ix_observation_question_id_entered_position", "observation", ["question_id", "entered_position"])
    op.create_index("ix_observation_replication_id", "observation", ["replication_id"])

    op.create_table(
        "replication_revision",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("replication_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("position", sa.BigInteger(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('registered', 'submitted')", name=op.f("ck_replication_revision_state_known")),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_replication_revision_revision_from_one")),
        sa.ForeignKeyConstraint(["position"], ["ledger_entry.position"], name="fk_replication_revision_position"),
        sa.ForeignKeyConstraint(["replication_id"], ["replication.id"], name="fk_replication_revision_replication_id"),
        sa.PrimaryKeyConstraint("id", name="pk_replication_revision"),
        sa.UniqueConstraint("replication_id", "revision", name="uq_replication_revision_replication_id_revision"),
    )
    # The one row that every append locks; its root is the hash of nothing (RFC 9162 section 2.1.1).
    empty_root = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    head = sa.table(
        "ledger_head", sa.column("id"), sa.column("size"), sa.column("root_hash"), sa.column("frontier", sa.JSON())
    )
    op.execute(sa.insert(head).values(id=1, size=0, root_hash=empty_root, frontier=[]))
