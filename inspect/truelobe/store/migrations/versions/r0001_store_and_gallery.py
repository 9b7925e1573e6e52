"""The store and the gallery: photos, inspections, figures, examples, drafts, prints, references, rules."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Go up by one revision."""
    op.create_table(
        "colour_references",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_colour_references")),
    )
    op.create_table(
        "drafts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drafts")),
        sa.UniqueConstraint("uid", name=op.f("uq_drafts_uid")),
    )
    op.create_index(op.f("ix_drafts_changed_at"), "drafts", ["changed_at"], unique=False)
    op.create_index(op.f("ix_drafts_kind"), "drafts", ["kind"], unique=False)
    op.create_table(
        "inspections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(length=20), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("plate_date", sa.Date(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.Column("binned_at", sa.DateTime(), nullable=True),
        sa.Column("example", sa.Boolean(), nullable=False),
        sa.Column("teaching_note", sa.Text(), nullable=False),
        sa.Column("grade", sa.String(length=100), nullable=True),
        sa.Column("grade_rules", sa.String(length=300), nullable=True),
        sa.Column("sample", sa.Boolean(), nullable=False),
        sa.Column("pepper_count", sa.Integer(), nullable=False),
        sa.Column("sort_title", sa.String(length=200), nullable=False),
        sa.Column("sort_diameter_mm", sa.Double(), nullable=False),
        sa.Column("sort_not_fully_coloured", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspections")),
        sa.UniqueConstraint("uid", name=op.f("uq_inspections_uid")),
    )
    op.create_index(
        "ix_inspections_binned",
        "inspections",
        ["binned_at"],
        unique=False,
        sqlite_where=sa.text("binned_at IS NOT NULL"),
        postgresql_where=sa.text("binned_at IS NOT NULL"),
    )
    op.create_index("ix_inspections_coverage", "inspections", ["sort_not_fully_coloured", "id"], unique=False)
    op.create_index("ix_inspections_diameter", "inspections", ["sort_diameter_mm", "id"], unique=False)
    op.create_index(op.f("ix_inspections_example"), "inspections", ["example"], unique=False)
    op.create_index(op.f("ix_inspections_grade"), "inspections", ["grade"], unique=False)
    op.create_index("ix_inspections_kept", "inspections", ["kept_at", "id"], unique=False)
    op.create_index("ix_inspections_plate_date", "inspections", ["plate_date", "id"], unique=False)
    op.create_index(op.f("ix_inspections_sample"), "inspections", ["sample"], unique=False)
    op.create_index("ix_inspections_status", "inspections", ["status"], unique=False)
    op.create_index("ix_inspections_title", "inspections", ["sort_title", "id"], unique=False)
    op.create_index(op.f("ix_inspections_who"), "inspections", ["who"], unique=False)
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("original_sha256", sa.String(length=64), nullable=False),
        sa.Column("media_type", sa.String(length=40), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("width_px", sa.Integer(), nullable=False),
        sa.Column("height_px", sa.Integer(), nullable=False),
        sa.Column("original_width_px", sa.Integer(), nullable=False),
        sa.Column("original_height_px", sa.Integer(), nullable=False),
        sa.Column("crop_x", sa.Integer(), nullable=False),
        sa.Column("crop_y", sa.Integer(), nullable=False),
        sa.Column("focal_35mm", sa.Double(), nullable=True),
        sa.Column("camera", sa.String(length=200), nullable=True),
        sa.Column("thumbnail_sha256", sa.String(length=64), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_photos")),
    )
    op.create_index(op.f("ix_photos_original_sha256"), "photos", ["original_sha256"], unique=False)
    op.create_table(
        "prints",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("edition", sa.String(length=64), nullable=False),
        sa.Column("across_mm", sa.Double(), nullable=False),
        sa.Column("down_mm", sa.Double(), nullable=False),
        sa.Column("u_mm", sa.Double(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("measured_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_prints")),
    )
    op.create_table(
        "rule_sets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("edition", sa.String(length=100), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rule_sets")),
        sa.UniqueConstraint("name", "edition", name=op.f("uq_rule_sets_name_edition")),
    )
    op.create_table(
        "saved_searches",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("query", sa.Text(), nullable=False),
        sa.Column("kept_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_saved_searches")),
    )
    op.create_table(
        "settings",
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_settings")),
    )
    op.create_table(
        "walls",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=200), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_walls")),
        sa.UniqueConstraint("uid", name=op.f("uq_walls_uid")),
    )
    op.create_table(
        "decisions",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("rule", sa.String(length=300), nullable=False),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.Column("outcome", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_decisions_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("inspection_id", "number", "position", name=op.f("pk_decisions")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_decisions_outcome", "decisions", ["outcome", "rule", "inspection_id"], unique=False)
    op.create_table(
        "defects",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("defect", sa.String(length=100), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_defects_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("inspection_id", "number", "defect", name=op.f("pk_defects")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_defects_defect", "defects", ["defect", "inspection_id"], unique=False)
    op.create_table(
        "draft_uploads",
        sa.Column("draft_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=400), nullable=False),
        sa.ForeignKeyConstraint(
            ["draft_id"], ["drafts.id"], name=op.f("fk_draft_uploads_draft_id_drafts"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("draft_id", "position", name=op.f("pk_draft_uploads")),
    )
    op.create_index(op.f("ix_draft_uploads_sha256"), "draft_uploads", ["sha256"], unique=False)
    op.create_table(
        "hand_facts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_hand_facts_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_facts")),
    )
    op.create_index(op.f("ix_hand_facts_inspection_id"), "hand_facts", ["inspection_id"], unique=False)
    op.create_table(
        "history",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("who", sa.String(length=200), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("undone", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_history_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_history")),
    )
    op.create_index(op.f("ix_history_inspection_id"), "history", ["inspection_id"], unique=False)
    op.create_table(
        "inspection_photos",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=400), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_inspection_photos_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"], name=op.f("fk_inspection_photos_sha256_photos")),
        sa.PrimaryKeyConstraint("inspection_id", "position", name=op.f("pk_inspection_photos")),
    )
    op.create_index(op.f("ix_inspection_photos_sha256"), "inspection_photos", ["sha256"], unique=False)
    op.create_table(
        "measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=32), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("current", sa.Boolean(), nullable=False),
        sa.Column("tool", sa.String(length=100), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_measurements_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurements")),
        sa.UniqueConstraint("uid", name=op.f("uq_measurements_uid")),
    )
    op.create_index(op.f("ix_measurements_inspection_id"), "measurements", ["inspection_id"], unique=False)
    op.create_table(
        "peppers",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("colour", sa.String(length=40), nullable=True),
        sa.Column("pose", sa.String(length=20), nullable=False),
        sa.Column("doubtful", sa.Boolean(), nullable=False),
        sa.Column("diameter_mm", sa.Double(), nullable=True),
        sa.Column("diameter_u_mm", sa.Double(), nullable=True),
        sa.Column("width_seen_mm", sa.Double(), nullable=True),
        sa.Column("length_mm", sa.Double(), nullable=True),
        sa.Column("length_u_mm", sa.Double(), nullable=True),
        sa.Column("not_fully_coloured", sa.Double(), nullable=True),
        sa.Column("not_fully_coloured_u", sa.Double(), nullable=True),
        sa.Column("grade", sa.String(length=100), nullable=True),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_peppers_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("inspection_id", "number", name=op.f("pk_peppers")),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "ix_peppers_colour",
        "peppers",
        ["colour", "not_fully_coloured", "diameter_mm", "length_mm", "inspection_id"],
        unique=False,
    )
    op.create_index(
        "ix_peppers_coverage",
        "peppers",
        ["not_fully_coloured", "diameter_mm", "length_mm", "inspection_id"],
        unique=False,
    )
    op.create_index(
        "ix_peppers_diameter",
        "peppers",
        ["diameter_mm", "not_fully_coloured", "length_mm", "inspection_id"],
        unique=False,
    )
    op.create_index(
        "ix_peppers_length", "peppers", ["length_mm", "not_fully_coloured", "inspection_id"], unique=False
    )
    op.create_table(
        "tags",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.String(length=100), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_tags_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("inspection_id", "tag", name=op.f("pk_tags")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_tags_tag", "tags", ["tag", "inspection_id"], unique=False)
    op.create_table(
        "wall_items",
        sa.Column("wall_id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspections.id"],
            name=op.f("fk_wall_items_inspection_id_inspections"),
            ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(
            ["wall_id"], ["walls.id"], name=op.f("fk_wall_items_wall_id_walls"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("wall_id", "inspection_id", name=op.f("pk_wall_items")),
    )
    op.create_index(op.f("ix_wall_items_inspection_id"), "wall_items", ["inspection_id"], unique=False)

    _words()


def _words() -> None:
    """Full text, in each database's own way; `truelobe.store.words` is the only room that knows."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute('CREATE VIRTUAL TABLE words USING fts5(body, tokenize = "unicode61 remove_diacritics 2")')
        return
    op.execute(
        "CREATE TABLE words (rowid bigint PRIMARY KEY REFERENCES inspections (id) ON DELETE CASCADE,"
        " body tsvector NOT NULL)"
    )
    op.execute("CREATE INDEX ix_words_body ON words USING gin (body)")
