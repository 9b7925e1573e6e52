"""Training the eye: blocks, answers, readings by hand."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Go up by one revision."""
    op.create_table(
        "practice_blocks",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("student_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("round_number", sa.Integer(), nullable=False),
        sa.Column("focus", sa.String(length=40), nullable=False),
        sa.Column("length", sa.Integer(), nullable=False),
        sa.Column("pictures", sa.Text(), nullable=False),
        sa.Column("begun_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["student_id"],
            ["judging_students.id"],
            name=op.f("fk_practice_blocks_student_id_judging_students"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice_blocks")),
        sa.UniqueConstraint("uid", name=op.f("uq_practice_blocks_uid")),
    )
    op.create_index(op.f("ix_practice_blocks_student_id"), "practice_blocks", ["student_id"], unique=False)
    op.create_table(
        "practice_readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("student_id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("pepper", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(length=20), nullable=False),
        sa.Column("instrument", sa.String(length=20), nullable=False),
        sa.Column("reading_mm", sa.Double(), nullable=False),
        sa.Column("tool_mm", sa.Double(), nullable=False),
        sa.Column("tool_low_mm", sa.Double(), nullable=False),
        sa.Column("tool_high_mm", sa.Double(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_practice_readings_inspection_id_inspections"),
            ondelete="SET NULL",
        ),
        sa.ForeignKeyConstraint(
            ["student_id"],
            ["judging_students.id"],
            name=op.f("fk_practice_readings_student_id_judging_students"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice_readings")),
    )
    op.create_index(
        op.f("ix_practice_readings_inspection_id"), "practice_readings", ["inspection_id"], unique=False
    )
    op.create_index(op.f("ix_practice_readings_student_id"), "practice_readings", ["student_id"], unique=False)
    op.create_table(
        "practice_answers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("block_id", sa.Integer(), nullable=False),
        sa.Column("student_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("picture", sa.String(length=120), nullable=False),
        sa.Column("colour", sa.String(length=40), nullable=False),
        sa.Column("truth", sa.Double(), nullable=False),
        sa.Column("answer", sa.Double(), nullable=False),
        sa.Column("second_truth", sa.Double(), nullable=True),
        sa.Column("second_answer", sa.Double(), nullable=True),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["block_id"],
            ["practice_blocks.id"],
            name=op.f("fk_practice_answers_block_id_practice_blocks"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["student_id"],
            ["judging_students.id"],
            name=op.f("fk_practice_answers_student_id_judging_students"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice_answers")),
        sa.UniqueConstraint("block_id", "position", name=op.f("uq_practice_answers_block_id_position")),
    )
    op.create_index(op.f("ix_practice_answers_student_id"), "practice_answers", ["student_id"], unique=False)
