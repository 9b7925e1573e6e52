"""Practice: classes of four, the roster, sessions against the clock, placings and every tap."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Go up by one revision."""
    op.create_table(
        "judging_classes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("scenario", sa.Text(), nullable=False),
        sa.Column("produce", sa.String(length=200), nullable=False),
        sa.Column("official", sa.String(length=4), nullable=False),
        sa.Column("cut_top", sa.Integer(), nullable=True),
        sa.Column("cut_middle", sa.Integer(), nullable=True),
        sa.Column("cut_bottom", sa.Integer(), nullable=True),
        sa.Column("cuts_by", sa.String(length=20), nullable=False),
        sa.Column("seconds", sa.Integer(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.Column("shown", sa.String(length=20), nullable=False),
        sa.Column("invalid_rule", sa.String(length=20), nullable=False),
        sa.Column("offered", sa.Boolean(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.Column("binned_at", sa.DateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judging_classes")),
        sa.UniqueConstraint("uid", name=op.f("uq_judging_classes_uid")),
    )
    op.create_index(op.f("ix_judging_classes_changed_at"), "judging_classes", ["changed_at"], unique=False)
    op.create_table(
        "judging_students",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("nickname", sa.String(length=80), nullable=False),
        sa.Column("word_hash", sa.String(length=200), nullable=False),
        sa.Column("failed", sa.Integer(), nullable=False),
        sa.Column("shut_until", sa.DateTime(), nullable=True),
        sa.Column("joined_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judging_students")),
        sa.UniqueConstraint("nickname", name=op.f("uq_judging_students_nickname")),
        sa.UniqueConstraint("uid", name=op.f("uq_judging_students_uid")),
    )
    op.create_table(
        "judging_plates",
        sa.Column("class_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["class_id"],
            ["judging_classes.id"],
            name=op.f("fk_judging_plates_class_id_judging_classes"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_judging_plates_inspection_id_inspections"),
            ondelete="SET NULL",
        ),
        sa.PrimaryKeyConstraint("class_id", "number", name=op.f("pk_judging_plates")),
    )
    op.create_index(op.f("ix_judging_plates_inspection_id"), "judging_plates", ["inspection_id"], unique=False)
    op.create_table(
        "judging_sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("class_id", sa.Integer(), nullable=False),
        sa.Column("student_id", sa.Integer(), nullable=True),
        sa.Column("seconds", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=True),
        sa.Column("deadline", sa.DateTime(), nullable=True),
        sa.Column("critique_step", sa.Integer(), nullable=False),
        sa.Column("closed_at", sa.DateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["class_id"],
            ["judging_classes.id"],
            name=op.f("fk_judging_sessions_class_id_judging_classes"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["student_id"],
            ["judging_students.id"],
            name=op.f("fk_judging_sessions_student_id_judging_students"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judging_sessions")),
        sa.UniqueConstraint("uid", name=op.f("uq_judging_sessions_uid")),
    )
    op.create_index(op.f("ix_judging_sessions_class_id"), "judging_sessions", ["class_id"], unique=False)
    op.create_index(op.f("ix_judging_sessions_closed_at"), "judging_sessions", ["closed_at"], unique=False)
    op.create_index(op.f("ix_judging_sessions_deadline"), "judging_sessions", ["deadline"], unique=False)
    op.create_index(op.f("ix_judging_sessions_student_id"), "judging_sessions", ["student_id"], unique=False)
    op.create_table(
        "judging_tokens",
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("student_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["student_id"],
            ["judging_students.id"],
            name=op.f("fk_judging_tokens_student_id_judging_students"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_judging_tokens")),
    )
    op.create_index(op.f("ix_judging_tokens_student_id"), "judging_tokens", ["student_id"], unique=False)
    op.create_table(
        "judging_sheets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("student_id", sa.Integer(), nullable=False),
        sa.Column("placing", sa.String(length=16), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("late_placing", sa.String(length=16), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"],
            ["judging_sessions.id"],
            name=op.f("fk_judging_sheets_session_id_judging_sessions"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["student_id"],
            ["judging_students.id"],
            name=op.f("fk_judging_sheets_student_id_judging_students"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judging_sheets")),
        sa.UniqueConstraint("session_id", "student_id", name=op.f("uq_judging_sheets_session_id_student_id")),
        sa.UniqueConstraint("uid", name=op.f("uq_judging_sheets_uid")),
    )
    op.create_index(op.f("ix_judging_sheets_student_id"), "judging_sheets", ["student_id"], unique=False)
    op.create_table(
        "judging_taps",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sheet_id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=40), nullable=False),
        sa.Column("placing", sa.String(length=16), nullable=False),
        sa.Column("late", sa.Boolean(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sheet_id"],
            ["judging_sheets.id"],
            name=op.f("fk_judging_taps_sheet_id_judging_sheets"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_judging_taps")),
        sa.UniqueConstraint("sheet_id", "uid", name=op.f("uq_judging_taps_sheet_id_uid")),
    )
