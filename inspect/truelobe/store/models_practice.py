"""Tables of training the eye: blocks of pictures, every answer at once, and readings by hand."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Double, ForeignKey, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from truelobe.store.base import Base, UTCDateTime


class DrillBlockRow(Base):
    """A run of pictures that one student answers: a probe with its list, or practice that follows the student."""

    __tablename__ = "practice_blocks"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(String(32), unique=True)
    student_id: Mapped[int] = mapped_column(ForeignKey("judging_students.id", ondelete="CASCADE"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    role: Mapped[str] = mapped_column(String(20))
    round_number: Mapped[int]
    focus: Mapped[str] = mapped_column(String(40), default="")
    length: Mapped[int]
    pictures: Mapped[str] = mapped_column(Text)
    begun_at: Mapped[datetime] = mapped_column(UTCDateTime)


class DrillAnswerRow(Base):
    """One answer, kept when it is given, with the truth that it is held against."""

    __tablename__ = "practice_answers"
    __table_args__ = (UniqueConstraint("block_id", "position"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    block_id: Mapped[int] = mapped_column(ForeignKey("practice_blocks.id", ondelete="CASCADE"))
    student_id: Mapped[int] = mapped_column(ForeignKey("judging_students.id", ondelete="CASCADE"), index=True)
    position: Mapped[int]
    picture: Mapped[str] = mapped_column(String(120))
    colour: Mapped[str] = mapped_column(String(40))
    truth: Mapped[float] = mapped_column(Double)
    answer: Mapped[float] = mapped_column(Double)
    second_truth: Mapped[float | None] = mapped_column(Double)
    second_answer: Mapped[float | None] = mapped_column(Double)
    at: Mapped[datetime] = mapped_column(UTCDateTime)


class HandReadingRow(Base):
    """A real pepper measured by a student, beside what the tool says of it."""

    __tablename__ = "practice_readings"

    id: Mapped[int] = mapped_column(primary_key=True)
    student_id: Mapped[int] = mapped_column(ForeignKey("judging_students.id", ondelete="CASCADE"), index=True)
    inspection_id: Mapped[int | None] = mapped_column(
        ForeignKey("inspections.id", ondelete="SET NULL"), index=True
    )
    pepper: Mapped[int]
    quantity: Mapped[str] = mapped_column(String(20))
    instrument: Mapped[str] = mapped_column(String(20))
    reading_mm: Mapped[float] = mapped_column(Double)
    tool_mm: Mapped[float] = mapped_column(Double)
    tool_low_mm: Mapped[float] = mapped_column(Double)
    tool_high_mm: Mapped[float] = mapped_column(Double)
    at: Mapped[datetime] = mapped_column(UTCDateTime)
