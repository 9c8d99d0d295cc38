"""Keep columns of large questions."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Keep columns of large questions."""
    op.create_table(
        "kept_column",
        sa.Column("question_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("layout", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["position"], ["ledger_entry.position"], name=op.f("fk_kept_column_position")),
        sa.ForeignKeyConstraint(["question_id"], ["question.id"], name=op.f("fk_kept_column_question_id")),
        sa.PrimaryKeyConstraint("question_id", "position", "name", name=op.f("pk_kept_column")),
    )
