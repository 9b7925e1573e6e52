"""Tables of the practice itself: classes of four, the roster, sessions against the clock, and what was placed.

A student is a nickname. Whatever belongs to a student hangs on the student's row and goes with it.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from truelobe.store.base import Base, UTCDateTime


class ClassRow(Base):
    """A class of four plates, with what a person made official. `official` is empty until somebody did."""

    __tablename__ = "judging_classes"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    version: Mapped[int] = mapped_column(default=1)
    title: Mapped[str] = mapped_column(String(200))
    scenario: Mapped[str] = mapped_column(Text, default="")
    produce: Mapped[str] = mapped_column(String(200), default="")
    official: Mapped[str] = mapped_column(String(4), default="")
    cut_top: Mapped[int | None]
    cut_middle: Mapped[int | None]
    cut_bottom: Mapped[int | None]
    cuts_by: Mapped[str] = mapped_column(String(20))
    seconds: Mapped[int]
    told: Mapped[str] = mapped_column(Text)
    shown: Mapped[str] = mapped_column(String(20))
    invalid_rule: Mapped[str] = mapped_column(String(20))
    offered: Mapped[bool] = mapped_column(default=False)
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime, index=True)
    binned_at: Mapped[datetime | None] = mapped_column(UTCDateTime)


class ClassPlateRow(Base):
    """A plate of a class: a kept plate with its photos, or nothing but its number."""

    __tablename__ = "judging_plates"

    class_id: Mapped[int] = mapped_column(ForeignKey("judging_classes.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int | None] = mapped_column(
        ForeignKey("inspections.id", ondelete="SET NULL"), index=True
    )
    note: Mapped[str] = mapped_column(Text, default="")


class StudentRow(Base):
    """A nickname on the coach's roster; the word is kept as its argon2 hash alone."""

    __tablename__ = "judging_students"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    nickname: Mapped[str] = mapped_column(String(80), unique=True)
    word_hash: Mapped[str] = mapped_column(String(200))
    failed: Mapped[int] = mapped_column(default=0)
    shut_until: Mapped[datetime | None] = mapped_column(UTCDateTime)
    joined_at: Mapped[datetime] = mapped_column(UTCDateTime)


class TokenRow(Base):
    """A device that a student is known on: the SHA-256 of the random token in its cookie."""

    __tablename__ = "judging_tokens"

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    student_id: Mapped[int] = mapped_column(ForeignKey("judging_students.id", ondelete="CASCADE"), index=True)
    made_at: Mapped[datetime] = mapped_column(UTCDateTime)


class SessionRow(Base):
    """A class being placed: led, with one start for everyone, or one student's own. The deadline is held here."""

    __tablename__ = "judging_sessions"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    class_id: Mapped[int] = mapped_column(ForeignKey("judging_classes.id", ondelete="CASCADE"), index=True)
    student_id: Mapped[int | None] = mapped_column(
        ForeignKey("judging_students.id", ondelete="CASCADE"), index=True
    )
    seconds: Mapped[int]
    opened_at: Mapped[datetime] = mapped_column(UTCDateTime)
    started_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    deadline: Mapped[datetime | None] = mapped_column(UTCDateTime, index=True)
    critique_step: Mapped[int] = mapped_column(default=0)
    closed_at: Mapped[datetime | None] = mapped_column(UTCDateTime, index=True)


class SheetRow(Base):
    """One student's placing in one session: plate numbers best first, fewer than four while unfinished."""

    __tablename__ = "judging_sheets"
    __table_args__ = (UniqueConstraint("session_id", "student_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("judging_sessions.id", ondelete="CASCADE"))
    student_id: Mapped[int] = mapped_column(ForeignKey("judging_students.id", ondelete="CASCADE"), index=True)
    placing: Mapped[str] = mapped_column(String(16), default="")
    state: Mapped[str] = mapped_column(String(20))
    late_placing: Mapped[str] = mapped_column(String(16), default="")
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime)


class TapRow(Base):
    """One tap as the phone sent it, under the identifier that the phone gave it: sent twice, it is kept once."""

    __tablename__ = "judging_taps"
    __table_args__ = (UniqueConstraint("sheet_id", "uid"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    sheet_id: Mapped[int] = mapped_column(ForeignKey("judging_sheets.id", ondelete="CASCADE"))
    uid: Mapped[str] = mapped_column(String(40))
    placing: Mapped[str] = mapped_column(String(16))
    late: Mapped[bool]
    at: Mapped[datetime] = mapped_column(UTCDateTime)


class ReasonsRow(Base):
    """What a student says for one placing, pair by pair, as JSON: written anew with each word that is chosen."""

    __tablename__ = "judging_reasons"

    sheet_id: Mapped[int] = mapped_column(ForeignKey("judging_sheets.id", ondelete="CASCADE"), primary_key=True)
    body: Mapped[str] = mapped_column(Text)
    changed_at: Mapped[datetime] = mapped_column(UTCDateTime)
