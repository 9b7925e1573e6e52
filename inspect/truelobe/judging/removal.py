"""Taking a student off the roster with everything of theirs, and naming the copies that may still hold it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, select, update

from truelobe.store import Store
from truelobe.store.models_gallery import HandFactsRow, HistoryRow, InspectionRow
from truelobe.store.models_judging import StudentRow
from truelobe.store.models_setup import DraftRow
from truelobe.store.setup import COPIES, as_text
from truelobe.store.state import index_words
from truelobe.store.trouble import not_found


@dataclass(frozen=True)
class Removed:
    """What was removed, and what a program can't reach.

    Attributes
    ----------
    nickname : str
    copies : tuple of str
        Backups and bundles written while the student was on the roster; delete or renew them by hand.
    """

    nickname: str
    copies: tuple[str, ...]


def remove_student(store: Store, uid: str) -> Removed:
    """Remove a student: placings, taps, practice, devices, drafts, and the nickname wherever it was written.

    Plates that the student kept stay in the team's gallery, without the nickname; so do their histories and what
    lies in the bin.

    Raises
    ------
    TruelobeError
        ``not-found``.
    """
    with store.database.read() as connection:
        row = connection.execute(select(StudentRow.__table__).where(StudentRow.uid == uid)).first()
        if row is None:
            raise not_found("student")
        drafts = list(connection.execute(select(DraftRow.uid).where(DraftRow.who == row.nickname)).scalars())
    for draft in drafts:
        store.drafts.finish(draft)
    with store.database.write() as connection:
        connection.execute(delete(StudentRow).where(StudentRow.id == row.id))
        _forget_nickname(connection, row.nickname)
    copies = store.settings.get(COPIES, [])
    joined = row.joined_at.isoformat()
    return Removed(row.nickname, tuple(f"{c['kind']} {c['name']}" for c in copies if c["at"] >= joined))


def _forget_nickname(connection: Connection, nickname: str) -> None:
    kept_by = InspectionRow.who == nickname
    plates = list(connection.execute(select(InspectionRow.id).where(kept_by)).scalars())
    for table in StudentRow.metadata.sorted_tables:
        if "who" in table.c:
            connection.execute(update(table).where(table.c.who == nickname).values(who=""))
    for table_row, names in ((HistoryRow, ("before", "after")), (HandFactsRow, ("facts",))):
        _forget_in_json(connection, table_row, names, nickname)
    for plate in plates:
        index_words(connection, plate)


def _forget_in_json(connection: Connection, table_row: Any, names: tuple[str, ...], nickname: str) -> None:
    """Blank the nickname where a JSON column holds it as the value of ``who`` or ``by``."""
    columns = [getattr(table_row, name) for name in names]
    written = json.dumps(nickname, ensure_ascii=False)
    for column in columns:
        found = connection.execute(select(table_row.id, column).where(column.contains(written, autoescape=True)))
        for row_id, text in found.all():
            fresh = as_text(_without(json.loads(text), nickname))
            connection.execute(update(table_row).where(table_row.id == row_id).values({column.key: fresh}))


def _without(value: Any, nickname: str) -> Any:
    if isinstance(value, dict):
        return dict(_pairs(value, nickname))
    return [_without(one, nickname) for one in value] if isinstance(value, list) else value


def _pairs(value: dict[str, Any], nickname: str) -> Iterator[tuple[str, Any]]:
    for name, inner in value.items():
        theirs = name in ("who", "by") and inner == nickname
        yield name, "" if theirs else _without(inner, nickname)
