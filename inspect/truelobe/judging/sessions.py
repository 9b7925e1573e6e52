"""A class being placed: one clock held here, every tap kept once, what is there taken when time is up.

A *led* session has one start for everyone; one that a student takes alone has a clock of its own. A sheet is one
student's placing in one session: the plates tapped so far, best first.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, delete, insert, or_, select, update
from sqlalchemy.exc import IntegrityError

from truelobe.judging.classes import JudgingClass
from truelobe.judging.records import GRACE, WHOLE_CRITIQUE, Session, Sheet
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.store.base import new_uid, now
from truelobe.store.models_judging import ClassRow, SessionRow, SheetRow, StudentRow, TapRow
from truelobe.store.trouble import not_found

_TAPPED = re.compile(r"(?!.*(.).*\1)[1-4]{0,4}\Z")


class Sessions:
    """The sessions of a store."""

    def __init__(self, store: Store) -> None:
        self._database = store.database

    def open_led(self, one: JudgingClass) -> Session:
        """Open a class to everyone; the clock waits for `start`. One led session is open at a time.

        Raises
        ------
        TruelobeError
            ``session-open`` when another class is still open.
        """
        with self._database.write() as connection:
            others = (SessionRow.student_id.is_(None), SessionRow.closed_at.is_(None))
            if connection.execute(select(SessionRow.id).where(*others).limit(1)).scalar() is not None:
                raise TruelobeError(
                    "session-open", "Another class is still open.", "Finish or close it first, then open this one."
                )
            uid = _insert_session(connection, one, None, None)
        return self.get(uid)

    def begin_alone(
        self, one: JudgingClass, student_uid: str, at: datetime | None = None, *, any_class: bool = False
    ) -> Session:
        """Start a class for one student alone, or return to it where it runs already.

        Parameters
        ----------
        any_class : bool
            Whether a class may be taken that is not offered to the phones: on the coach's own machine.

        Raises
        ------
        TruelobeError
            ``class-not-offered``, ``class-in-use``, ``class-done`` when this student has placed it before.
        """
        at = at or now()
        with self._database.write() as connection:
            student = _student(connection, student_uid)
            of_class = select(SessionRow.__table__).join(ClassRow).where(ClassRow.uid == one.uid)
            mine = connection.execute(of_class.where(SessionRow.student_id == student)).first()
            if mine is not None:
                if mine.closed_at is not None:
                    raise TruelobeError("class-done", "You have placed this class.", "Choose another one.")
                uid = str(mine.uid)
            else:
                _may_begin(connection, one, of_class, any_class)
                uid = _insert_session(connection, one, student, at)
        return self.get(uid)

    def start(self, uid: str, at: datetime | None = None) -> Session:
        """Start the clock. A second start changes nothing."""
        at = at or now()
        with self._database.write() as connection:
            row = _session_row(connection, uid)
            if row.started_at is None and row.closed_at is None:
                values = {"started_at": at, "deadline": at + timedelta(seconds=row.seconds)}
                connection.execute(update(SessionRow).where(SessionRow.id == row.id).values(**values))
        return self.get(uid)

    def stop(self, uid: str, at: datetime | None = None) -> Session:
        """End the clock now; what is there is taken."""
        at = at or now()
        with self._database.write() as connection:
            row = _session_row(connection, uid)
            if row.deadline is not None and row.deadline > at:
                connection.execute(update(SessionRow).where(SessionRow.id == row.id).values(deadline=at))
            _take(connection, row.id, at)
        return self.get(uid)

    def lengthen(self, uid: str, seconds: int) -> Session:
        """Give everyone more time while the clock runs."""
        with self._database.write() as connection:
            row = _session_row(connection, uid)
            if row.deadline is not None and now() <= row.deadline:
                later = row.deadline + timedelta(seconds=seconds)
                connection.execute(update(SessionRow).where(SessionRow.id == row.id).values(deadline=later))
        return self.get(uid)

    def show_critique(self, uid: str, step: int, at: datetime | None = None) -> Session:
        """Open the critique up to a step, 0 to 4; nobody can change a placing from then on."""
        at = at or now()
        with self._database.write() as connection:
            row = _session_row(connection, uid)
            if step:
                _take(connection, row.id, at)
            values: dict[str, Any] = {"critique_step": max(0, min(step, WHOLE_CRITIQUE))}
            if row.deadline is not None and row.deadline > at and step:
                values["deadline"] = at
            connection.execute(update(SessionRow).where(SessionRow.id == row.id).values(**values))
        return self.get(uid)

    def close(self, uid: str, at: datetime | None = None) -> None:
        """Close a session; one that was never started leaves no trace."""
        at = at or now()
        with self._database.write() as connection:
            row = _session_row(connection, uid)
            _take(connection, row.id, at)
            used = connection.execute(select(SheetRow.id).where(SheetRow.session_id == row.id).limit(1)).scalar()
            if row.started_at is None and used is None:
                connection.execute(delete(SessionRow).where(SessionRow.id == row.id))
            else:
                connection.execute(update(SessionRow).where(SessionRow.id == row.id).values(closed_at=at))

    def tap(
        self,
        uid: str,
        student_uid: str,
        tap_uid: str,
        placing: str,
        *,
        submit: bool = False,
        at: datetime | None = None,
    ) -> Sheet:
        """Keep one tap: the placing as it stands after it.

        Parameters
        ----------
        tap_uid : str
            The phone's own name for this tap. The same tap sent again changes nothing.
        placing : str
            Plate numbers tapped so far, best first.
        submit : bool
            Whether the student hands the placing in.

        Raises
        ------
        TruelobeError
            ``tap-invalid``, ``not-started``, ``placing-incomplete``, ``not-found``.
        """
        at = at or now()
        _check_tap(tap_uid, placing, submit)
        with self._database.write() as connection:
            session = _session_row(connection, uid)
            student = _student(connection, student_uid)
            if session.student_id not in (None, student):
                raise not_found("class")
            if session.started_at is None:
                raise TruelobeError("not-started", "The clock has not started.", "Wait for the start.")
            sheet = _sheet_row(connection, session.id, student, at)
            late = session.closed_at is not None or at > session.deadline + GRACE
            if _keep_tap(connection, sheet.id, tap_uid, placing, late or sheet.state != "open", at):
                _apply(connection, session, sheet, placing, submit=submit, late=late, at=at)
        return self.sheet(uid, student_uid)

    def paper(self, uid: str, student_uid: str, typed: str, at: datetime | None = None) -> Sheet:
        """Keep what stands on a student's paper card, possible or not; it takes the place of what was there."""
        at = at or now()
        with self._database.write() as connection:
            session, student = _session_row(connection, uid), _student(connection, student_uid)
            sheet = _sheet_row(connection, session.id, student, at)
            values = {"placing": typed.strip()[:16], "state": "paper", "changed_at": at}
            connection.execute(update(SheetRow).where(SheetRow.id == sheet.id).values(**values))
        return self.sheet(uid, student_uid)

    def clear(self, uid: str, student_uid: str) -> None:
        """Take a student's sheet away, such as a paper card typed on the wrong line."""
        with self._database.write() as connection:
            session, student = _session_row(connection, uid), _student(connection, student_uid)
            where = (SheetRow.session_id == session.id, SheetRow.student_id == student)
            connection.execute(delete(SheetRow).where(*where))

    def lapse(self, at: datetime | None = None) -> int:
        """Take what is there on every clock that has run out; return how many sheets were taken.

        Whoever looks at a session calls this first, and the team's server once a second: no browser needs to be
        open for it.
        """
        at = at or now()
        over = (SessionRow.deadline < at - GRACE, SessionRow.closed_at.is_(None))
        with self._database.read() as connection:
            waiting = connection.execute(
                select(SessionRow.id)
                .outerjoin(SheetRow, SheetRow.session_id == SessionRow.id)
                .where(*over, or_(SheetRow.state == "open", SessionRow.student_id.is_not(None)))
                .limit(1)
            ).scalar()
        if waiting is None:
            return 0
        with self._database.write() as connection:
            ids = connection.execute(select(SessionRow.id, SessionRow.student_id).where(*over)).all()
            taken = sum(_take(connection, row.id, at) for row in ids)
            own = [row.id for row in ids if row.student_id is not None]
            values = {"closed_at": at, "critique_step": WHOLE_CRITIQUE}
            connection.execute(update(SessionRow).where(SessionRow.id.in_(own)).values(**values))
        return taken

    def get(self, uid: str) -> Session:
        """Return a session.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        found = self._select(SessionRow.uid == uid)
        if not found:
            raise not_found("session")
        return found[0]

    def led_now(self) -> Session | None:
        """Return the led session that is open, if there is one."""
        found = self._select(SessionRow.student_id.is_(None), SessionRow.closed_at.is_(None))
        return found[0] if found else None

    def of_class(self, class_uid: str) -> tuple[Session, ...]:
        """Return the sessions of a class, newest first."""
        return self._select(ClassRow.uid == class_uid)

    def of_student(self, student_uid: str) -> tuple[Session, ...]:
        """Return the sessions a student took alone, newest first."""
        return self._select(StudentRow.uid == student_uid)

    def all(self) -> tuple[Session, ...]:
        """Return every session, newest first."""
        return self._select()

    def _select(self, *where: Any) -> tuple[Session, ...]:
        query = (
            select(SessionRow.__table__, ClassRow.uid.label("class_uid"), StudentRow.uid.label("student_uid"))
            .join(ClassRow, ClassRow.id == SessionRow.class_id)
            .outerjoin(StudentRow, StudentRow.id == SessionRow.student_id)
            .where(*where)
            .order_by(SessionRow.id.desc())
        )
        names = Session.__dataclass_fields__
        with self._database.read() as connection:
            rows = connection.execute(query).mappings().all()
        return tuple(Session(**{name: row[name] for name in names}) for row in rows)

    def sheet(self, uid: str, student_uid: str) -> Sheet:
        """Return a student's sheet.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        found = self._sheets(SessionRow.uid == uid, StudentRow.uid == student_uid)
        if not found:
            raise not_found("placing")
        return found[0]

    def sheets(self, uid: str) -> tuple[Sheet, ...]:
        """Return every sheet of a session, by nickname."""
        return self._sheets(SessionRow.uid == uid)

    def sheets_of(self, student_uid: str) -> tuple[Sheet, ...]:
        """Return every sheet of a student, newest first."""
        return tuple(sorted(self._sheets(StudentRow.uid == student_uid), key=lambda s: s.changed_at, reverse=True))

    def _sheets(self, *where: Any) -> tuple[Sheet, ...]:
        query = (
            select(
                SheetRow.__table__,
                SessionRow.uid.label("session_uid"),
                StudentRow.uid.label("student_uid"),
                StudentRow.nickname,
            )
            .join(SessionRow, SessionRow.id == SheetRow.session_id)
            .join(StudentRow, StudentRow.id == SheetRow.student_id)
            .where(*where)
            .order_by(StudentRow.nickname)
        )
        names = Sheet.__dataclass_fields__
        with self._database.read() as connection:
            rows = connection.execute(query).mappings().all()
        return tuple(Sheet(**{name: row[name] for name in names}) for row in rows)


def _check_tap(tap_uid: str, placing: str, submit: bool) -> None:
    if not _TAPPED.match(placing) or not 1 <= len(tap_uid) <= 40:
        raise TruelobeError("tap-invalid", "This placing can't be read.", "Tap the plates again.")
    if submit and len(placing) != 4:
        raise TruelobeError("placing-incomplete", "Not every plate has a place yet.", "Tap the others first.")


def _insert_session(connection: Connection, one: JudgingClass, student: int | None, at: datetime | None) -> str:
    uid = new_uid()
    class_id = connection.execute(select(ClassRow.id).where(ClassRow.uid == one.uid)).scalar()
    values = {"started_at": at, "deadline": at + timedelta(seconds=one.seconds)} if at else {}
    connection.execute(
        insert(SessionRow).values(
            uid=uid, class_id=class_id, student_id=student, seconds=one.seconds, opened_at=at or now(), **values
        )
    )
    return uid


def _may_begin(connection: Connection, one: JudgingClass, of_class: Any, any_class: bool) -> None:
    led = of_class.where(SessionRow.student_id.is_(None), SessionRow.closed_at.is_(None))
    if connection.execute(led.limit(1)).first() is not None:
        raise TruelobeError("class-in-use", "This class is open to everyone now.", "Place it with the others.")
    if not (one.offered or any_class) or one.key is None or one.binned_at is not None:
        raise TruelobeError("class-not-offered", "This class is not offered now.", "Choose another one.")


def _session_row(connection: Connection, uid: str) -> Any:
    row = connection.execute(select(SessionRow.__table__).where(SessionRow.uid == uid)).first()
    if row is None:
        raise not_found("session")
    return row


def _student(connection: Connection, uid: str) -> int:
    found = connection.execute(select(StudentRow.id).where(StudentRow.uid == uid)).scalar()
    if found is None:
        raise not_found("student")
    return found


def _sheet_row(connection: Connection, session_id: int, student_id: int, at: datetime) -> Any:
    query = select(SheetRow.__table__).where(SheetRow.session_id == session_id, SheetRow.student_id == student_id)
    there = connection.execute(query).first()
    if there is not None:
        return there
    values = {"uid": new_uid(), "session_id": session_id, "student_id": student_id, "state": "open"}
    try:
        with connection.begin_nested():
            connection.execute(insert(SheetRow).values(**values, changed_at=at))
    except IntegrityError:  # the same student's other device was first
        pass
    return connection.execute(query).one()


def _keep_tap(connection: Connection, sheet_id: int, tap_uid: str, placing: str, late: bool, at: datetime) -> bool:
    """Write a tap; tell whether it is a new one."""
    values = {"sheet_id": sheet_id, "uid": tap_uid, "placing": placing, "late": late, "at": at}
    try:
        with connection.begin_nested():
            connection.execute(insert(TapRow).values(**values))
    except IntegrityError:  # sent twice: its answer was lost on the way
        return False
    return True


def _apply(
    connection: Connection, session: Any, sheet: Any, placing: str, *, submit: bool, late: bool, at: datetime
) -> None:
    if late:
        waits = sheet.state in ("open", "taken") and session.critique_step == 0
        if waits and len(placing) == 4 and placing != sheet.placing:
            arrived = {"late_placing": placing, "state": "taken"}
            connection.execute(update(SheetRow).where(SheetRow.id == sheet.id).values(**arrived))
        return
    if sheet.state != "open":
        return
    state = "submitted" if submit else "open"
    values = {"placing": placing, "state": state, "changed_at": at}
    connection.execute(update(SheetRow).where(SheetRow.id == sheet.id).values(**values))
    if submit and session.student_id is not None:
        own = {"closed_at": at, "critique_step": WHOLE_CRITIQUE}
        connection.execute(update(SessionRow).where(SessionRow.id == session.id).values(**own))


def _take(connection: Connection, session_id: int, at: datetime) -> int:
    still_open = (SheetRow.session_id == session_id, SheetRow.state == "open")
    done = connection.execute(update(SheetRow).where(*still_open).values(state="taken", changed_at=at))
    return int(done.rowcount)
