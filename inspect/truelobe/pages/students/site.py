"""What the routes of the student application share: who asks, what was drawn, how fast words are guessed."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from truelobe.judging.pictures import View, draw_view
from truelobe.judging.roster import Roster, Student
from truelobe.judging.sessions import Sessions
from truelobe.judging.student_view import StudentDesk
from truelobe.messages import TruelobeError
from truelobe.pages.students.gallery import StudentGallery
from truelobe.practice.student_drill import DrillDesk
from truelobe.store import Store

COOKIE = "truelobe_student"


class Knocks:
    """Slows guessing from one address: a dozen wrong words, then one every few seconds."""

    def __init__(self, burst: int = 12, every_seconds: float = 3.0) -> None:
        self._burst, self._every = float(burst), every_seconds
        self._lock = threading.Lock()
        self._left: dict[str, tuple[float, float]] = {}

    def _now_left(self, address: str) -> float:
        left, before = self._left.get(address, (self._burst, time.monotonic()))
        return min(self._burst, left + (time.monotonic() - before) / self._every)

    def check(self, address: str) -> None:
        """Turn an address away that has tried too often.

        Raises
        ------
        TruelobeError
            ``knocking``.
        """
        with self._lock:
            if self._now_left(address) < 1:
                raise TruelobeError("knocking", "Too many tries from this phone.", "Wait ten seconds.")

    def missed(self, address: str) -> None:
        """Count a wrong word."""
        with self._lock:
            self._left[address] = (self._now_left(address) - 1, time.monotonic())


class StudentSite:
    """What the routes share.

    Parameters
    ----------
    store : Store
    on_request : callable
        Told the address of every caller, so that the coach sees when the first phone has arrived.
    """

    def __init__(self, store: Store, on_request: Callable[[str], None] = lambda address: None) -> None:
        self.store = store
        self.desk = StudentDesk(store)
        self.drills = DrillDesk(store)
        self.gallery = StudentGallery(store)
        self.roster = Roster(store)
        self.sessions = Sessions(store)
        self.on_request = on_request
        self.knocks = Knocks()
        self.hashing = threading.Semaphore(2)
        self.drawn = lru_cache(maxsize=64)(self._draw)
        self.drawing = threading.Lock()
        self.writing = threading.Lock()

    def _draw(self, view: View) -> bytes:
        return draw_view(self.store, view)

    def picture(self, student: Student, name: str) -> bytes:
        """Draw a picture that this student may see; each is drawn once."""
        view = self.desk.picture(student.uid, name)
        if view is None:
            raise TruelobeError("not-found", "This picture is not open.", "Go back to the class.")
        with self.drawing:  # thirty phones ask at once, one of them draws
            return self.drawn(view)

    def student(self, request: Request) -> Student:
        """Return whose device asks.

        Raises
        ------
        TruelobeError
            ``unknown-device``.
        """
        token = request.cookies.get(COOKIE)
        known = self.roster.known(token) if token else None
        if known is None:
            raise TruelobeError("unknown-device", "This device is not known yet.", "Tap your nickname.")
        return known

    def state(self, request: Request) -> dict[str, Any]:
        """Return what the page shows: the roster to an unknown device, else the student's own view."""
        try:
            student = self.student(request)
        except TruelobeError:
            return {"who": None, "roster": [{"student": s.uid, "nickname": s.nickname} for s in self.roster.all()]}
        return {"who": student.nickname, **self.desk.view(student.uid)}

    def enter(self, address: str, student: str, word: str) -> str:
        """Check a word and return a token."""
        self.knocks.check(address)
        try:
            with self.hashing:
                return self.roster.let_in(student, word)
        except TruelobeError:
            self.knocks.missed(address)
            raise


Answer = Callable[[StudentSite, Request, dict[str, Any]], Response]


def as_json(content: Any) -> JSONResponse:
    """Return an answer that no cache keeps."""
    return JSONResponse(content, headers={"Cache-Control": "no-store"})


def word_of(body: dict[str, Any], name: str) -> str:
    """Return a short text that a page sent.

    Raises
    ------
    TruelobeError
        ``not-found`` for anything else.
    """
    value = body.get(name)
    if not isinstance(value, str) or len(value) > 200:
        raise TruelobeError("not-found", "This can't be read.", "Reload the page.")
    return value
