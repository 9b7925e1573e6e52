"""Tables of what a team sets up once, and of work not finished: prints, references, settings, rules, drafts."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from truelobe.store.base import Base, UTCDateTime


class PrintRow(Base):
    """One printout of the scale card: the lengths of its two bars as measured on paper."""

    __tablename__ = "prints"

    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    edition: Mapped[str] = mapped_column(String(64))
    across_mm: Mapped[float]
    down_mm: Mapped[float]
    u_mm: Mapped[float]
    note: Mapped[str] = mapped_column(Text, default="")
    measured_at: Mapped[datetime] = mapped_column(UTCDateTime)


class ReferenceRow(Base):
    """A named set of colour references: what fully colored means, as one JSON document."""

    __tablename__ = "colour_references"

    name: Mapped[str] = mapped_column(String(200), primary_key=True)
    body: Mapped[str] = mapped_column(Text)
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime)


class SettingRow(Base):
    """One setting: a name and a JSON value."""

    __tablename__ = "settings"

    name: Mapped[str] = mapped_column(String(200), primary_key=True)
    value: Mapped[str] = mapped_column(Text)
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime)


class RuleSetRow(Base):
    """One edition of a grade standard or house rule, as one JSON document. Editions are never rewritten."""

    __tablename__ = "rule_sets"
    __table_args__ = (UniqueConstraint("name", "edition"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    edition: Mapped[str] = mapped_column(String(100))
    body: Mapped[str] = mapped_column(Text)
    kept_at: Mapped[datetime] = mapped_column(UTCDateTime)


class DraftRow(Base):
    """Work not finished: written at each change, gone when it is kept or given up."""

    __tablename__ = "drafts"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    version: Mapped[int] = mapped_column(default=1)
    kind: Mapped[str] = mapped_column(String(40), index=True)
    who: Mapped[str] = mapped_column(String(200), default="")
    body: Mapped[str] = mapped_column(Text)
    started_at: Mapped[datetime] = mapped_column(UTCDateTime)
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime, index=True)


class DraftUploadRow(Base):
    """A file that a draft works on, as it was uploaded; the bytes lie in the `uploads` folder."""

    __tablename__ = "draft_uploads"

    draft_id: Mapped[int] = mapped_column(ForeignKey("drafts.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    name: Mapped[str] = mapped_column(String(400))
