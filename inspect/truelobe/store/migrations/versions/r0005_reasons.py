"""Reasons that a student gives for a placing."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Go up by one revision."""
    op.create_table(
        "judging_reasons",
        sa.Column("sheet_id", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sheet_id"],
            ["judging_sheets.id"],
            name=op.f("fk_judging_reasons_sheet_id_judging_sheets"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("sheet_id", name=op.f("pk_judging_reasons")),
    )
