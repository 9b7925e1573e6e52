"""The part of a plate that people edit, as one JSON object; read and applied inside a caller's transaction.

Every change of a plate, from a new title to a newer measurement, is a set of fields of this object. That is what
makes history and undo one mechanism: a change is undone by applying what stood there before.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from truelobe.store import documents, words
from truelobe.store.models_gallery import (
    DecisionRow,
    DefectRow,
    InspectionRow,
    MeasurementRow,
    PepperRow,
    TagRow,
)
from truelobe.store.records import Body

PLAIN = ("title", "notes", "who", "example", "teaching_note")
EMPTY: Body = {
    "title": "",
    "notes": "",
    "who": "",
    "plate_date": None,
    "example": False,
    "teaching_note": "",
    "tags": [],
    "grade": None,
    "binned_at": None,
    "defects": [],
    "measurement": None,
}
"""Every field a plate's state has, with the value of a plate nobody has written anything about."""


def read_state(connection: Connection, inspection_id: int) -> dict[str, Any]:
    """Return a plate's whole state."""
    row = connection.execute(select(InspectionRow.__table__).where(InspectionRow.id == inspection_id)).one()
    tags = connection.execute(select(TagRow.tag).where(TagRow.inspection_id == inspection_id)).scalars()
    defects = connection.execute(
        select(DefectRow.number, DefectRow.defect).where(DefectRow.inspection_id == inspection_id)
    )
    current = connection.execute(
        select(MeasurementRow.uid).where(MeasurementRow.inspection_id == inspection_id, MeasurementRow.current)
    ).scalar()
    grades = connection.execute(
        select(PepperRow.number, PepperRow.grade).where(
            PepperRow.inspection_id == inspection_id, PepperRow.grade.is_not(None)
        )
    )
    graded = {str(number): grade for number, grade in grades}
    state = {name: getattr(row, name) for name in PLAIN}
    state |= {
        "plate_date": row.plate_date.isoformat(),
        "binned_at": row.binned_at.isoformat() if row.binned_at else None,
        "tags": sorted(tags),
        "defects": sorted([number, defect] for number, defect in defects),
        "grade": {"plate": row.grade, "rules": row.grade_rules or "", "peppers": graded} if row.grade else None,
        "measurement": current,
    }
    return state


def apply_state(connection: Connection, inspection_id: int, changes: Body) -> None:
    """Write some fields of a plate's state, with the columns that follow from them."""
    columns = {name: changes[name] for name in PLAIN if name in changes}
    if "title" in columns:
        columns["sort_title"] = " ".join(words.tokens(columns["title"]))[:200]
    if "plate_date" in changes:
        columns["plate_date"] = date.fromisoformat(changes["plate_date"])
    if "binned_at" in changes:
        at = changes["binned_at"]
        columns["binned_at"] = datetime.fromisoformat(at) if at else None
    if columns:
        connection.execute(update(InspectionRow).where(InspectionRow.id == inspection_id).values(**columns))
    for name, write in _WRITERS.items():
        if name in changes:
            write(connection, inspection_id, changes[name])
    index_words(connection, inspection_id)


def _write_tags(connection: Connection, inspection_id: int, tags: list[str]) -> None:
    connection.execute(delete(TagRow).where(TagRow.inspection_id == inspection_id))
    rows = [{"inspection_id": inspection_id, "tag": tag} for tag in sorted(set(tags))]
    if rows:
        connection.execute(insert(TagRow), rows)


def _write_defects(connection: Connection, inspection_id: int, defects: list[list[Any]]) -> None:
    connection.execute(delete(DefectRow).where(DefectRow.inspection_id == inspection_id))
    found = sorted({(number, defect) for number, defect in defects})
    if found:
        rows = [{"inspection_id": inspection_id, "number": number, "defect": defect} for number, defect in found]
        connection.execute(insert(DefectRow), rows)


def _write_grade(connection: Connection, inspection_id: int, grade: Mapping[str, Any] | None) -> None:
    given = grade or {"plate": None, "rules": None, "peppers": {}}
    connection.execute(
        update(InspectionRow)
        .where(InspectionRow.id == inspection_id)
        .values(grade=given["plate"], grade_rules=given["rules"])
    )
    connection.execute(update(PepperRow).where(PepperRow.inspection_id == inspection_id).values(grade=None))
    for number, name in given["peppers"].items():
        one = (PepperRow.inspection_id == inspection_id, PepperRow.number == int(number))
        connection.execute(update(PepperRow).where(*one).values(grade=name))


def _write_measurement(connection: Connection, inspection_id: int, uid: str | None) -> None:
    """Make one measurement the current one and take the searchable figures from it."""
    of_plate = MeasurementRow.inspection_id == inspection_id
    connection.execute(update(MeasurementRow).where(of_plate).values(current=False))
    text = connection.execute(select(MeasurementRow.document).where(of_plate, MeasurementRow.uid == uid)).scalar()
    connection.execute(update(MeasurementRow).where(of_plate, MeasurementRow.uid == uid).values(current=True))
    document = json.loads(text) if text else None
    for table in (PepperRow, DecisionRow):
        connection.execute(delete(table).where(table.inspection_id == inspection_id))
    for table, rows in (
        (PepperRow, documents.pepper_rows(document or {})),
        (DecisionRow, documents.decision_rows(document or {})),
    ):
        if rows:
            connection.execute(insert(table), [{"inspection_id": inspection_id, **row} for row in rows])
    connection.execute(
        update(InspectionRow).where(InspectionRow.id == inspection_id).values(**documents.plate_columns(document))
    )


_WRITERS: dict[str, Callable[[Connection, int, Any], None]] = {
    "measurement": _write_measurement,  # first: grades stand on its peppers
    "tags": _write_tags,
    "defects": _write_defects,
    "grade": _write_grade,
}


def index_words(connection: Connection, inspection_id: int) -> None:
    """Take in the words a plate can be found by."""
    row = connection.execute(
        select(
            InspectionRow.title,
            InspectionRow.notes,
            InspectionRow.teaching_note,
            InspectionRow.who,
            InspectionRow.grade,
        ).where(InspectionRow.id == inspection_id)
    ).one()
    found: set[str] = set()
    for column in (TagRow.tag, DefectRow.defect, PepperRow.colour):
        of_plate = column.class_.inspection_id == inspection_id
        found |= {word for word in connection.execute(select(column).where(of_plate)).scalars() if word}
    words.index(connection, inspection_id, " ".join([*(part or "" for part in row), *sorted(found)]))
