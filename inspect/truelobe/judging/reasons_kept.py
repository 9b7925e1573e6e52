"""Where reasons are kept: with the placing that they are given for, once its key is open."""

from __future__ import annotations

import json
from dataclasses import dataclass

from sqlalchemy import select

from truelobe.judging.classes import Classes, JudgingClass
from truelobe.judging.reasons import Reasons
from truelobe.judging.records import WHOLE_CRITIQUE, Session, Sheet
from truelobe.judging.sessions import Sessions
from truelobe.store import Store
from truelobe.store.base import now
from truelobe.store.models_judging import ReasonsRow, SheetRow
from truelobe.store.setup import as_text, replace_row
from truelobe.store.trouble import not_found


@dataclass(frozen=True)
class OpenPlacing:
    """A student's whole placing of a class whose key is open."""

    session: Session
    one: JudgingClass
    sheet: Sheet


class KeptReasons:
    """The reasons of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._database = store.database

    def placings(self, student_uid: str) -> tuple[OpenPlacing, ...]:
        """Return what a student can give reasons for, newest first: the facts of other classes stay closed."""
        sessions, classes = Sessions(self._store), {one.uid: one for one in Classes(self._store).all()}
        found = []
        for sheet in sessions.sheets_of(student_uid):
            session = sessions.get(sheet.session_uid)
            one = classes.get(session.class_uid)
            if sheet.whole and one is not None and one.key and session.critique_step == WHOLE_CRITIQUE:
                found.append(OpenPlacing(session, one, sheet))
        return tuple(found)

    def of(self, sheet: Sheet) -> Reasons:
        """Return the reasons for a placing; none yet where there are none, or they were given for another one."""
        query = select(ReasonsRow.body).join(SheetRow).where(SheetRow.uid == sheet.uid)
        with self._database.read() as connection:
            body = connection.execute(query).scalar()
        kept = Reasons.from_document(json.loads(body)) if body else None
        return kept if kept is not None and kept.placing == sheet.placing else Reasons.none_yet(sheet.placing)

    def keep(self, sheet: Sheet, reasons: Reasons) -> None:
        """Keep the reasons for a placing; they take the place of what was there.

        Raises
        ------
        TruelobeError
            ``not-found`` when the placing is gone.
        """
        with self._database.write() as connection:
            sheet_id = connection.execute(select(SheetRow.id).where(SheetRow.uid == sheet.uid)).scalar()
            if sheet_id is None:
                raise not_found("placing")
            values = {"body": as_text(reasons.document()), "changed_at": now()}
            replace_row(connection, ReasonsRow, {"sheet_id": sheet_id}, values)
