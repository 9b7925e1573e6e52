"""Everything that may reach a student's browser, made in this one place.

The official placing, the cuts, the facts and the names of an unplaced class are not among what is read here
before the key is open: they can't leak because they are not fetched, rather than because they are hidden.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import combinations
from typing import Any

from truelobe.grading.vocabulary import FACTS
from truelobe.judging.classes import Classes, JudgingClass
from truelobe.judging.facts import PairFact, Plate, pair_facts
from truelobe.judging.pictures import View, class_views
from truelobe.judging.records import WHOLE_CRITIQUE, Session, Sheet, sheet_points, sheet_score
from truelobe.judging.scoring import all_placings, chance_mean, hint
from truelobe.judging.sessions import Sessions
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.store.base import now

_SECRET = "team picture secret"


class StudentDesk:
    """What students' browsers ask for. One per process; it remembers the plates of running sessions."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._classes = Classes(store)
        self._sessions = Sessions(store)
        self._plates: dict[str, list[dict[str, Any]]] = {}
        self._views: dict[str, View] = {}
        self._secret = _secret(store)

    def view(self, student_uid: str, at: datetime | None = None) -> dict[str, Any]:
        """Return what one student's page shows now.

        Parameters
        ----------
        student_uid : str
        at : datetime, optional
            Now, unless a test says otherwise.

        Returns
        -------
        dict
            JSON: ``now`` in milliseconds, ``class`` or None, ``offers``, ``done``.
        """
        at = at or now()
        self._sessions.lapse(at)
        session = self.current(student_uid, at)
        view: dict[str, Any] = {"now": ms(at), "class": None, "offers": [], "done": []}
        if session is None:
            return view | self._choices(student_uid)
        return view | {"class": self._class(session, self._sheet(session, student_uid))}

    def current(self, student_uid: str, at: datetime) -> Session | None:
        """Return the session a page stands in: the led one, else the student's own while its clock runs."""
        led = self._sessions.led_now()
        if led is not None:
            return led
        return next((s for s in self._sessions.of_student(student_uid) if s.runs(at)), None)

    def finished(self, student_uid: str, session_uid: str) -> dict[str, Any]:
        """Return a class that this student has placed and whose key is open.

        Raises
        ------
        TruelobeError
            ``not-found``, also for a class that is not theirs or whose key is closed.
        """
        session = self._sessions.get(session_uid)
        sheet = self._sheet(session, student_uid)
        theirs = sheet is not None or session.student_uid == student_uid
        if not theirs or session.critique_step != WHOLE_CRITIQUE:
            raise TruelobeError("not-found", "This class is not open.", "Go back and choose another one.")
        return self._class(session, sheet)

    def picture(self, student_uid: str, name: str, at: datetime | None = None) -> View | None:
        """Return the view behind a picture's name, if this student may look at it now."""
        sessions = [s for s in self._may_see(student_uid, at or now()) if s is not None]
        for session in sessions:
            one = self._classes.get(session.class_uid)
            if any(v["src"] == name for plate in self._plates_of(session, one) for v in plate["views"]):
                return self._views[name]
        return None

    def _may_see(self, student_uid: str, at: datetime) -> Iterator[Session | None]:
        current = self.current(student_uid, at)
        yield current if current and current.started_at else None
        placed = {sheet.session_uid for sheet in self._sessions.sheets_of(student_uid)}
        yield from (s for s in self._sessions.all() if s.uid in placed and s.critique_step == WHOLE_CRITIQUE)

    def _class(self, session: Session, sheet: Sheet | None) -> dict[str, Any]:
        """Return a class as its session allows: plates once the clock has started, the key once it is open."""
        one = self._classes.get(session.class_uid)
        view: dict[str, Any] = {
            "session": session.uid,
            "led": session.led,
            "title": one.title,
            "scenario": one.scenario,
            "produce": one.produce,
            "seconds": session.seconds,
            "deadline": ms(session.deadline) if session.deadline else None,
            "started": session.started_at is not None,
            "placing": sheet.placing if sheet else "",
            "state": sheet.state if sheet else "open",
            "late": sheet.late_placing if sheet else "",
            "step": session.critique_step,
            "plates": self._plates_of(session, one) if session.started_at is not None else [],
        }
        if session.critique_step == WHOLE_CRITIQUE and one.key is not None:
            view["critique"] = critique(self._classes.plates(one), one, sheet)
        return view

    def _plates_of(self, session: Session, one: JudgingClass) -> list[dict[str, Any]]:
        """Return the plates as a page draws them; read once for a session, asked for by every phone."""
        if session.uid not in self._plates:
            views = class_views(self._store, one) if one.shown == "pictures" else ((),) * 4
            plates = self._classes.plates(one) if one.told else tuple(Plate(n) for n in (1, 2, 3, 4))
            self._plates[session.uid] = [
                {
                    "number": plate.number,
                    "views": [self._named(one, plate.number, n, view) for n, view in enumerate(those)],
                    "told": told(plate, one.told),
                }
                for those, plate in zip(views, plates, strict=True)
            ]
        return self._plates[session.uid]

    def _named(self, one: JudgingClass, number: int, n: int, view: View) -> dict[str, Any]:
        """Give a picture a name that says nothing and that nobody can work out."""
        words = f"{one.uid}/{one.version}/{number}/{n}".encode()
        name = hmac.new(self._secret, words, hashlib.sha256).hexdigest()[:32]
        self._views[name] = view
        return {"src": name, "w": view.size[0], "h": view.size[1], "scaled": view.true_scale}

    def _choices(self, student_uid: str) -> dict[str, Any]:
        """Return the classes a student may take alone, and those placed before whose key is open."""
        taken = {s.class_uid: s for s in self._sessions.of_student(student_uid)}
        sheets = {sheet.session_uid: sheet for sheet in self._sessions.sheets_of(student_uid)}
        led = [s for s in self._sessions.all() if s.led and s.uid in sheets]
        done = [s for s in (*led, *taken.values()) if s.critique_step == WHOLE_CRITIQUE]
        done.sort(key=lambda s: s.opened_at, reverse=True)
        classes = {one.uid: one for one in self._classes.all()}
        placed = {s.class_uid for s in (*led, *taken.values())}
        offers = [o for o in classes.values() if o.offered and o.key is not None and o.uid not in placed]
        return {
            "offers": [
                {"class": o.uid, "title": o.title, "produce": o.produce, "seconds": o.seconds} for o in offers
            ],
            "done": [
                {
                    "session": s.uid,
                    "title": classes[s.class_uid].title,
                    "points": sheet_points(sheets[s.uid], classes[s.class_uid]) if s.uid in sheets else None,
                }
                for s in done
                if s.class_uid in classes
            ],
        }

    def _sheet(self, session: Session, student_uid: str) -> Sheet | None:
        return next((s for s in self._sessions.sheets(session.uid) if s.student_uid == student_uid), None)


def told(plate: Plate, facts: Sequence[str]) -> list[str]:
    """Return the hand facts of a plate that the coach chose to tell, in words."""
    lines = []
    for name in facts:
        words = [str(plate.hand.value(n, name)) for n in plate.peppers]
        if words:
            lines.append(f"{FACTS[name].label}: {', '.join(words)}")
    return lines


def critique(plates: Sequence[Plate], one: JudgingClass, sheet: Sheet | None) -> dict[str, Any]:
    """Return score, pairs, facts, all placings and the chance mean. Only for a class whose key is open."""
    assert one.key is not None
    official, cuts = one.key
    scored = sheet_score(sheet, one) if sheet else None
    kept = {(p.better, p.worse): p.kept for p in scored.pairs} if scored else {}
    ranked = all_placings(official, cuts)
    return {
        "official": "".join(map(str, official)),
        "cuts": [cuts.top, cuts.middle, cuts.bottom],
        "hints": [hint(cut) for cut in (cuts.top, cuts.middle, cuts.bottom)],
        "points": sheet_points(sheet, one) if sheet else None,
        "pairs": [
            {
                "better": official[i],
                "worse": official[j],
                "cost": cuts.between(i, j),
                "kept": kept.get((official[i], official[j])),
                "facts": [fact_line(f) for f in pair_facts(plates[official[i] - 1], plates[official[j] - 1])],
            }
            for i, j in combinations(range(4), 2)
        ],
        "all": [["".join(map(str, s.placing)), s.points] for s in ranked],
        "chance": chance_mean(cuts),
    }


def fact_line(fact: PairFact) -> dict[str, Any]:
    """Return a fact as a page shows it."""
    return {"trait": fact.trait, "favours": fact.favours, "real": fact.real, "says": fact.says}


def _secret(store: Store) -> bytes:
    if store.settings.get(_SECRET) is None:
        store.settings.put(_SECRET, secrets.token_hex(32))
    return str(store.settings.get(_SECRET)).encode()


def ms(at: datetime) -> int:
    """Return a moment as browsers count time: milliseconds since 1970."""
    return round(at.timestamp() * 1000)


def counts(sheets: Sequence[Sheet], one: JudgingClass) -> Mapping[tuple[int, int], tuple[int, int]]:
    """Return by official pair how many whole placings had it right, and how many there are."""
    scores = [s for sheet in sheets if (s := sheet_score(sheet, one)) is not None]
    found: dict[tuple[int, int], tuple[int, int]] = {}
    for scored in scores:
        for pair in scored.pairs:
            right, of = found.get((pair.better, pair.worse), (0, 0))
            found[pair.better, pair.worse] = (right + pair.kept, of + 1)
    return found


def student_tap(sessions: Sessions, student_uid: str, sent: Mapping[str, Any]) -> dict[str, Any]:
    """Keep what a student's page sent for one tap and return what stands on the sheet now.

    Raises
    ------
    TruelobeError
        ``tap-invalid`` for anything that is no tap, and those of `Sessions.tap`.
    """
    session, tap, placing = (sent.get(name) for name in ("session", "tap", "placing"))
    submit = sent.get("submit", False)
    if not (isinstance(session, str) and isinstance(tap, str) and isinstance(placing, str)):
        raise TruelobeError("tap-invalid", "This placing can't be read.", "Tap the plates again.")
    sheet = sessions.tap(session, student_uid, tap, placing, submit=submit is True)
    return {"placing": sheet.placing, "state": sheet.state, "late": sheet.late_placing}
