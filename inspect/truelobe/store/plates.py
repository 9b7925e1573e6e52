"""A plate's rows, read and written whole inside a caller's transaction."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert, select

from truelobe.store.documents import plate_columns
from truelobe.store.models_gallery import (
    DefectRow,
    HandFactsRow,
    InspectionPhotoRow,
    InspectionRow,
    MeasurementRow,
    PepperRow,
    PhotoRow,
    TagRow,
)
from truelobe.store.photos import Photos
from truelobe.store.records import (
    Defect,
    HandFacts,
    Inspection,
    Measurement,
    PepperFigures,
    Photo,
    PlateRecord,
)
from truelobe.store.setup import as_text
from truelobe.store.state import apply_state, read_state


def write_record(connection: Connection, record: PlateRecord) -> int:
    """Write a plate that is not in the store yet; its photo files are on the shelf. Returns its row's id."""
    made = connection.execute(
        insert(InspectionRow).values(
            uid=record.uid,
            plate_date=record.kept_at.date(),
            kept_at=record.kept_at,
            changed_at=record.kept_at,
            sample=record.sample,
            **plate_columns(None),
        )
    ).inserted_primary_key
    assert made is not None
    inspection_id = int(made[0])
    for measurement, text in record.measurements:
        insert_measurement(connection, inspection_id, measurement, text)
    write_photos(connection, inspection_id, record.photos)
    for facts in record.hand_facts:
        write_hand_facts(connection, inspection_id, facts)
    apply_state(connection, inspection_id, record.state)
    return inspection_id


def insert_measurement(connection: Connection, inspection_id: int, made: Measurement, text: str) -> None:
    """Write a measurement's row; it is not the current one until the state says so."""
    values = {"uid": made.uid, "tool": made.tool, "made_at": made.made_at, "document": text}
    connection.execute(insert(MeasurementRow).values(inspection_id=inspection_id, current=False, **values))


def write_photos(connection: Connection, inspection_id: int, photos: Sequence[Photo], first: int = 0) -> None:
    """Write which photos a plate holds, from a position on."""
    for position, photo in enumerate(photos, start=first):
        Photos.put_row(connection, photo)
        values = {"position": position, "sha256": photo.sha256, "name": photo.name}
        connection.execute(insert(InspectionPhotoRow).values(inspection_id=inspection_id, **values))


def write_hand_facts(connection: Connection, inspection_id: int, facts: HandFacts) -> None:
    """Write what a person recorded."""
    values = {"at": facts.at, "who": facts.who, "facts": as_text(facts.facts)}
    connection.execute(insert(HandFactsRow).values(inspection_id=inspection_id, **values))


def read_record(connection: Connection, inspection_id: int) -> PlateRecord:
    """Return a plate in the form in which it travels."""
    row = connection.execute(
        select(InspectionRow.uid, InspectionRow.kept_at, InspectionRow.sample).where(
            InspectionRow.id == inspection_id
        )
    ).one()
    made = _of(connection, MeasurementRow, inspection_id)
    return PlateRecord(
        uid=row.uid,
        kept_at=row.kept_at,
        state=read_state(connection, inspection_id),
        sample=row.sample,
        measurements=tuple((_measurement(one), one.document) for one in made),
        photos=read_photos(connection, inspection_id),
        hand_facts=_hand_facts(connection, inspection_id),
    )


def read_inspection(connection: Connection, inspection_id: int) -> Inspection:
    """Return a plate as people look at it."""
    row = connection.execute(select(InspectionRow.__table__).where(InspectionRow.id == inspection_id)).one()
    own = {name: value for name, value in row._mapping.items() if name in _INSPECTION_COLUMNS}
    tags = connection.execute(
        select(TagRow.tag).where(TagRow.inspection_id == inspection_id).order_by(TagRow.tag)
    ).scalars()
    defects = connection.execute(
        select(DefectRow.defect, DefectRow.number)
        .where(DefectRow.inspection_id == inspection_id)
        .order_by(DefectRow.number, DefectRow.defect)
    )
    return Inspection(
        **own,
        tags=tuple(tags),
        defects=tuple(Defect(name, number) for name, number in defects),
        photos=read_photos(connection, inspection_id),
        peppers=tuple(pepper_figures(one) for one in _of(connection, PepperRow, inspection_id, PepperRow.number)),
        measurements=tuple(_measurement(one) for one in _of(connection, MeasurementRow, inspection_id)),
        hand_facts=_hand_facts(connection, inspection_id),
    )


_INSPECTION_COLUMNS = set(Inspection.__dataclass_fields__) & set(InspectionRow.__table__.columns.keys())


def _of(connection: Connection, table: type[Any], inspection_id: int, order: Any = None) -> Sequence[Any]:
    query = select(table.__table__).where(table.inspection_id == inspection_id)
    return connection.execute(query.order_by(table.id if order is None else order)).all()


def read_photos(connection: Connection, inspection_id: int) -> tuple[Photo, ...]:
    """Return a plate's photos in order."""
    rows = connection.execute(
        select(PhotoRow.__table__, InspectionPhotoRow.name)
        .join(InspectionPhotoRow, InspectionPhotoRow.sha256 == PhotoRow.sha256)
        .where(InspectionPhotoRow.inspection_id == inspection_id)
        .order_by(InspectionPhotoRow.position)
    ).mappings()
    return tuple(Photo(**row) for row in rows)


def pepper_figures(row: Any) -> PepperFigures:
    """Return a pepper's figures from its row."""
    values = dict(row._mapping)
    del values["inspection_id"]
    return PepperFigures(**values)


def _measurement(row: Any) -> Measurement:
    return Measurement(row.uid, row.current, row.tool, row.made_at)


def _hand_facts(connection: Connection, inspection_id: int) -> tuple[HandFacts, ...]:
    rows = _of(connection, HandFactsRow, inspection_id)
    return tuple(HandFacts(row.at, row.who, json.loads(row.facts)) for row in rows)
