"""What a class being placed consists of: the session with its clock, and each student's sheet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from truelobe.judging.classes import JudgingClass
from truelobe.judging.scoring import Score, read_placing, score

State = Literal["open", "submitted", "taken", "paper"]
#: A tap that was on its way when the clock ended still counts.
GRACE = timedelta(seconds=1)
#: The critique goes pair by pair (1 to 3), then opens whole.
WHOLE_CRITIQUE = 4


@dataclass(frozen=True)
class Session:
    """A class being placed.

    Attributes
    ----------
    uid, class_uid : str
    student_uid : str or None
        Whose own session this is; None for a led one.
    seconds : int
    opened_at, started_at, deadline, closed_at : datetime or None
    critique_step : int
        0 while the key is closed; 1 to 3 as the pairs are opened; 4 when everything is open.
    """

    uid: str
    class_uid: str
    student_uid: str | None
    seconds: int
    opened_at: datetime
    started_at: datetime | None
    deadline: datetime | None
    critique_step: int
    closed_at: datetime | None

    @property
    def led(self) -> bool:
        """Whether there is one start for everyone."""
        return self.student_uid is None

    def runs(self, at: datetime) -> bool:
        """Tell whether the clock runs at a moment."""
        return self.deadline is not None and self.closed_at is None and at <= self.deadline + GRACE


@dataclass(frozen=True)
class Sheet:
    """One student's placing in one session.

    Attributes
    ----------
    placing : str
        Plate numbers, best first; fewer than four while unfinished. On paper, as typed.
    state : {"open", "submitted", "taken", "paper"}
        ``taken`` when the clock took what was there.
    late_placing : str
        What arrived after the clock had ended; it does not count.
    """

    uid: str
    session_uid: str
    student_uid: str
    nickname: str
    placing: str
    state: State
    late_placing: str
    changed_at: datetime

    @property
    def whole(self) -> bool:
        """Whether it names each plate once."""
        return sorted(self.placing) == list("1234")


def sheet_score(sheet: Sheet, one: JudgingClass) -> Score | None:
    """Return a sheet's score; None where it is no placing, or the class has no key yet."""
    if one.key is None or not sheet.whole:
        return None
    return score(*one.key, read_placing(sheet.placing))


def sheet_points(sheet: Sheet, one: JudgingClass) -> int | None:
    """Return a sheet's points; a blank or impossible card scores as the coach's rule says."""
    if one.key is None:
        return None
    scored = sheet_score(sheet, one)
    if scored is not None:
        return scored.points
    return 0 if one.invalid_rule == "zero" else None
