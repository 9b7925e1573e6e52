"""Tables of what the team keeps: photos, inspections with their figures, examples, walls, history."""

from __future__ import annotations

from datetime import date, datetime

from sqlalchemy import ForeignKey, Index, String, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from truelobe.store.base import Base, UTCDateTime

NOT_MEASURED = -1.0
"""What a sorting column holds where nothing was measured, so that paging by key needs no third case."""

_CLUSTERED = {"sqlite_with_rowid": False}
"""Keeps the few rows of one plate side by side in the file, in the order of their key."""


class PhotoRow(Base):
    """A kept photo; its bytes lie on the shelf under its SHA-256.

    The crop is where the kept picture's upper left corner lay in the original upright picture, so that the
    camera's principal point stays known.
    """

    __tablename__ = "photos"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    original_sha256: Mapped[str] = mapped_column(String(64), index=True)
    media_type: Mapped[str] = mapped_column(String(40))
    bytes: Mapped[int]
    width_px: Mapped[int]
    height_px: Mapped[int]
    original_width_px: Mapped[int]
    original_height_px: Mapped[int]
    crop_x: Mapped[int]
    crop_y: Mapped[int]
    focal_35mm: Mapped[float | None]
    camera: Mapped[str | None] = mapped_column(String(200))
    thumbnail_sha256: Mapped[str] = mapped_column(String(64))
    kept_at: Mapped[datetime] = mapped_column(UTCDateTime)


class InspectionRow(Base):
    """One kept plate: what people wrote about it, and what a search sorts by."""

    __tablename__ = "inspections"
    __table_args__ = (
        Index("ix_inspections_kept", "kept_at", "id"),
        Index("ix_inspections_plate_date", "plate_date", "id"),
        Index("ix_inspections_title", "sort_title", "id"),
        Index("ix_inspections_diameter", "sort_diameter_mm", "id"),
        Index("ix_inspections_coverage", "sort_not_fully_coloured", "id"),
        Index("ix_inspections_status", "status"),
        Index(
            "ix_inspections_binned",
            "binned_at",
            sqlite_where=text("binned_at IS NOT NULL"),
            postgresql_where=text("binned_at IS NOT NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    version: Mapped[int] = mapped_column(default=1)
    status: Mapped[str] = mapped_column(String(20))
    title: Mapped[str] = mapped_column(Text, default="")
    notes: Mapped[str] = mapped_column(Text, default="")
    who: Mapped[str] = mapped_column(String(200), default="", index=True)
    plate_date: Mapped[date]
    kept_at: Mapped[datetime] = mapped_column(UTCDateTime)
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime)
    binned_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    example: Mapped[bool] = mapped_column(default=False, index=True)
    teaching_note: Mapped[str] = mapped_column(Text, default="")
    grade: Mapped[str | None] = mapped_column(String(100), index=True)
    grade_rules: Mapped[str | None] = mapped_column(String(300))
    sample: Mapped[bool] = mapped_column(default=False, index=True)
    pepper_count: Mapped[int] = mapped_column(default=0)
    sort_title: Mapped[str] = mapped_column(String(200), default="")
    sort_diameter_mm: Mapped[float] = mapped_column(default=NOT_MEASURED)
    sort_not_fully_coloured: Mapped[float] = mapped_column(default=NOT_MEASURED)


class InspectionPhotoRow(Base):
    """Which photos a plate holds, in order; the first one is shown."""

    __tablename__ = "inspection_photos"

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(ForeignKey("photos.sha256"), index=True)
    name: Mapped[str] = mapped_column(String(400), default="")


class MeasurementRow(Base):
    """One measurement of a plate: the document unchanged. A plate measured again has several; one is current."""

    __tablename__ = "measurements"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), index=True)
    current: Mapped[bool]
    tool: Mapped[str] = mapped_column(String(100))
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)
    document: Mapped[str] = mapped_column(Text)


class PepperRow(Base):
    """The searchable figures of one pepper of the current measurement."""

    __tablename__ = "peppers"
    __table_args__ = (
        Index("ix_peppers_colour", "colour", "not_fully_coloured", "diameter_mm", "length_mm", "inspection_id"),
        Index("ix_peppers_diameter", "diameter_mm", "not_fully_coloured", "length_mm", "inspection_id"),
        Index("ix_peppers_length", "length_mm", "not_fully_coloured", "inspection_id"),
        Index("ix_peppers_coverage", "not_fully_coloured", "diameter_mm", "length_mm", "inspection_id"),
        _CLUSTERED,
    )

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    colour: Mapped[str | None] = mapped_column(String(40))
    pose: Mapped[str] = mapped_column(String(20))
    doubtful: Mapped[bool]
    diameter_mm: Mapped[float | None]
    diameter_u_mm: Mapped[float | None]
    width_seen_mm: Mapped[float | None]
    length_mm: Mapped[float | None]
    length_u_mm: Mapped[float | None]
    not_fully_coloured: Mapped[float | None]
    not_fully_coloured_u: Mapped[float | None]
    grade: Mapped[str | None] = mapped_column(String(100))


class DecisionRow(Base):
    """What one figure of one pepper said about one limit."""

    __tablename__ = "decisions"
    __table_args__ = (Index("ix_decisions_outcome", "outcome", "rule", "inspection_id"), _CLUSTERED)

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    rule: Mapped[str] = mapped_column(String(300))
    quantity: Mapped[str] = mapped_column(String(40))
    outcome: Mapped[str] = mapped_column(String(40))


class TagRow(Base):
    """A word that the team puts on a plate."""

    __tablename__ = "tags"
    __table_args__ = (Index("ix_tags_tag", "tag", "inspection_id"), _CLUSTERED)

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True)
    tag: Mapped[str] = mapped_column(String(100), primary_key=True)


class HandFactsRow(Base):
    """What a photo can't show, as a person recorded it: one JSON document at one time. Later rows win."""

    __tablename__ = "hand_facts"

    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), index=True)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    who: Mapped[str] = mapped_column(String(200), default="")
    facts: Mapped[str] = mapped_column(Text)


class DefectRow(Base):
    """A defect somebody recorded, searchable. Number 0 stands for the whole plate."""

    __tablename__ = "defects"
    __table_args__ = (Index("ix_defects_defect", "defect", "inspection_id"), _CLUSTERED)

    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    defect: Mapped[str] = mapped_column(String(100), primary_key=True)


class HistoryRow(Base):
    """One change of one plate: what stood there before and after, as JSON of the changed fields."""

    __tablename__ = "history"

    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspections.id", ondelete="CASCADE"), index=True)
    version: Mapped[int]
    at: Mapped[datetime] = mapped_column(UTCDateTime)
    who: Mapped[str] = mapped_column(String(200), default="")
    action: Mapped[str] = mapped_column(String(40))
    before: Mapped[str] = mapped_column(Text)
    after: Mapped[str] = mapped_column(Text)
    undone: Mapped[bool] = mapped_column(default=False)


class WallRow(Base):
    """A wall of examples on one topic."""

    __tablename__ = "walls"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    version: Mapped[int] = mapped_column(default=1)
    title: Mapped[str] = mapped_column(String(200))
    note: Mapped[str] = mapped_column(Text, default="")
    position: Mapped[int] = mapped_column(default=0)


class WallItemRow(Base):
    """A plate's place on a wall."""

    __tablename__ = "wall_items"

    wall_id: Mapped[int] = mapped_column(ForeignKey("walls.id", ondelete="CASCADE"), primary_key=True)
    inspection_id: Mapped[int] = mapped_column(
        ForeignKey("inspections.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    position: Mapped[int]


class SavedSearchRow(Base):
    """A search somebody wants to run again, by name."""

    __tablename__ = "saved_searches"

    name: Mapped[str] = mapped_column(String(200), primary_key=True)
    query: Mapped[str] = mapped_column(Text)
    kept_at: Mapped[datetime] = mapped_column(UTCDateTime)
