"""Kept plates: keep, read, edit, undo, bin. Every change is one transaction, checked against the row's version."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from truelobe.messages import TruelobeError
from truelobe.store import words
from truelobe.store.base import new_uid, now
from truelobe.store.database import Database
from truelobe.store.models_gallery import (
    HistoryRow,
    InspectionPhotoRow,
    InspectionRow,
    MeasurementRow,
)
from truelobe.store.photos import Photos
from truelobe.store.pictures import PreparedPhoto
from truelobe.store.plates import (
    insert_measurement,
    read_inspection,
    read_record,
    write_hand_facts,
    write_photos,
    write_record,
)
from truelobe.store.records import (
    Body,
    Change,
    Defect,
    Grade,
    HandFacts,
    Inspection,
    Measurement,
    Photo,
    PlateRecord,
)
from truelobe.store.setup import as_text
from truelobe.store.state import EMPTY, apply_state, read_state
from truelobe.store.trouble import changed_meanwhile, not_found

EDITABLE = ("title", "notes", "who", "plate_date", "example", "teaching_note", "tags")


@dataclass(frozen=True)
class NewInspection:
    """A plate about to be kept.

    Attributes
    ----------
    photos : tuple of PreparedPhoto
        The first one is shown.
    document : Mapping or None
        The measurement document, kept unchanged; None for a plate nobody measured.
    who : str
        Nickname.
    plate_date : date or None
        When the plate was made; today by default.
    hand_facts, defects
        What a photo can't show, and which defects of it a search should find.
    """

    photos: tuple[PreparedPhoto, ...] = ()
    document: Body | None = None
    who: str = ""
    title: str = ""
    notes: str = ""
    plate_date: date | None = None
    tags: tuple[str, ...] = ()
    example: bool = False
    teaching_note: str = ""
    hand_facts: Body | None = None
    defects: tuple[Defect, ...] = ()
    grade: Grade | None = None
    sample: bool = False


class Inspections:
    """The kept plates."""

    def __init__(self, database: Database, photos: Photos) -> None:
        self._database = database
        self._photos = photos

    def keep(self, new: NewInspection) -> Inspection:
        """Keep a plate: its photos are durable first, then one transaction holds the rest.

        Raises
        ------
        TruelobeError
            ``disk-full``, ``folder-read-only``, ``store-busy``; nothing is kept then.
        """
        with self._database.write("adding") as connection:
            photos = tuple(self._photos.put_files(prepared) for prepared in new.photos)
            record = _record(new, photos)
            inspection_id = write_record(connection, record)
            _remember(connection, inspection_id, 1, new.who, "kept", {}, {})
        self._photos.settled(photos)
        return self.get(record.uid)

    def get(self, uid: str) -> Inspection:
        """Return a plate whole, also from the bin.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        with self._database.read() as connection:
            return read_inspection(connection, _row(connection, uid).id)

    def record(self, uid: str) -> PlateRecord:
        """Return a plate in the form in which it travels."""
        with self._database.read() as connection:
            return read_record(connection, _row(connection, uid).id)

    def document(self, uid: str, measurement: str | None = None) -> dict[str, Any] | None:
        """Return a plate's measurement document, the current one unless another is named; None if not measured."""
        wanted = MeasurementRow.current if measurement is None else MeasurementRow.uid == measurement
        with self._database.read() as connection:
            of_plate = MeasurementRow.inspection_id == _row(connection, uid).id
            text = connection.execute(select(MeasurementRow.document).where(of_plate, wanted)).scalar()
        return None if text is None else dict(json.loads(text))

    def edit(self, uid: str, version: int, who: str = "", **changes: Any) -> Inspection:
        """Change what people write about a plate.

        Parameters
        ----------
        uid : str
        version : int
            The version you saw.
        who : str
            Nickname of the one who edits.
        **changes
            ``title``, ``notes``, ``who_kept`` (the keeper's nickname), ``plate_date`` (a date), ``example``,
            ``teaching_note``, ``tags``.

        Raises
        ------
        TruelobeError
            ``changed-meanwhile`` when the plate has another version by now: nothing is overwritten.
        """
        if "who_kept" in changes:
            changes["who"] = changes.pop("who_kept")
        unknown = set(changes) - set(EDITABLE)
        if unknown:
            raise ValueError(f"not a field that people edit: {sorted(unknown)}")
        return self._change(uid, version, who, "edited", _as_json(changes))

    def set_grade(self, uid: str, grade: Grade, who: str = "", version: int | None = None) -> Inspection:
        """Record the grade that a rule set gives; without a version the newest one is changed."""
        written = {
            "plate": grade.plate,
            "rules": grade.rules,
            "peppers": {str(number): name for number, name in grade.peppers.items()},
        }
        return self._change(uid, version, who, "graded", {"grade": written if grade.plate else None})

    def add_hand_facts(
        self,
        uid: str,
        facts: Body,
        who: str = "",
        *,
        defects: Sequence[Defect] = (),
        version: int | None = None,
    ) -> Inspection:
        """Record what a photo can't show. Earlier records stay; the defects named are the ones a search finds."""
        changes = {"defects": [[defect.number, defect.name] for defect in defects]}
        return self._change(uid, version, who, "hand facts", changes, facts=HandFacts(now(), who, facts))

    def measured_again(self, uid: str, document: Body, who: str = "", version: int | None = None) -> Inspection:
        """Add a newer measurement and make it the current one; the older ones stay."""
        made = Measurement(new_uid(), False, str(document["made_by"]["tool"]), now())
        changes = {"measurement": made.uid}
        return self._change(uid, version, who, "measured again", changes, measurement=(made, as_text(document)))

    def bin(self, uid: str, version: int, who: str = "") -> Inspection:
        """Put a plate into the bin; it is found no more, and can be put back."""
        return self._change(uid, version, who, "binned", {"binned_at": now().isoformat()})

    def put_back(self, uid: str, version: int, who: str = "") -> Inspection:
        """Take a plate out of the bin."""
        return self._change(uid, version, who, "put back", {"binned_at": None})

    def add_photo(self, uid: str, prepared: PreparedPhoto, version: int, who: str = "") -> Inspection:
        """Add a further photo of the same plate."""
        with self._database.write("adding") as connection:
            photo = self._photos.put_files(prepared)
            row = _row(connection, uid)
            _raise_version(connection, row, version)
            there = len(read_record(connection, row.id).photos)
            write_photos(connection, row.id, (photo,), first=there)
            _remember(connection, row.id, row.version + 1, who, "photo added", {}, {}, undone=True)
        self._photos.settled((photo,))
        return self.get(uid)

    def history(self, uid: str) -> tuple[Change, ...]:
        """Return a plate's changes, newest first."""
        with self._database.read() as connection:
            of_plate = HistoryRow.inspection_id == _row(connection, uid).id
            rows = connection.execute(
                select(HistoryRow.__table__).where(of_plate).order_by(HistoryRow.id.desc())
            ).all()
        return tuple(_change(row) for row in rows)

    def undo(self, uid: str, version: int, who: str = "") -> Inspection:
        """Take back the newest change that is not taken back yet; the history keeps both.

        Raises
        ------
        TruelobeError
            ``nothing-to-undo``, ``changed-meanwhile``.
        """
        last = next((change for change in self.history(uid) if change.before and not change.undone), None)
        if last is None:
            raise TruelobeError("nothing-to-undo", "There is no change to take back.", "Go on as it is.")
        return self._change(uid, version, who, "undone", last.before, undoes=last.id)

    def _change(
        self,
        uid: str,
        version: int | None,
        who: str,
        action: str,
        changes: Body,
        *,
        facts: HandFacts | None = None,
        measurement: tuple[Measurement, str] | None = None,
        undoes: int | None = None,
    ) -> Inspection:
        with self._database.write() as connection:
            row = _row(connection, uid)
            _raise_version(connection, row, version)
            before = read_state(connection, row.id)
            if facts is not None:
                write_hand_facts(connection, row.id, facts)
            if measurement is not None:
                insert_measurement(connection, row.id, *measurement)
            apply_state(connection, row.id, changes)
            after = read_state(connection, row.id)
            changed = [name for name in before if before[name] != after[name]]
            old, new = ({name: state[name] for name in changed} for state in (before, after))
            if undoes is not None:
                connection.execute(update(HistoryRow).where(HistoryRow.id == undoes).values(undone=True))
            _remember(connection, row.id, row.version + 1, who, action, old, new, undone=undoes is not None)
        return self.get(uid)

    def remove(self, uids: Sequence[str]) -> int:
        """Delete plates for good, with the photos that no other plate holds. Returns how many there were."""
        with self._database.write("removing") as connection:
            of_uids = InspectionRow.uid.in_(list(uids))
            ids = list(connection.execute(select(InspectionRow.id).where(of_uids)).scalars())
            photos = set(
                connection.execute(
                    select(InspectionPhotoRow.sha256).where(InspectionPhotoRow.inspection_id.in_(ids))
                ).scalars()
            )
            for inspection_id in ids:
                words.forget(connection, inspection_id)
            connection.execute(delete(InspectionRow).where(InspectionRow.id.in_(ids)))
            files = self._photos.drop_rows(connection, photos)
        self._photos.sweep(files)
        return len(ids)


def _row(connection: Connection, uid: str) -> Row[int, int]:
    row = connection.execute(
        select(InspectionRow.id, InspectionRow.version).where(InspectionRow.uid == uid)
    ).first()
    if row is None:
        raise not_found("plate")
    return row


def _raise_version(connection: Connection, row: Row[int, int], version: int | None) -> None:
    """Claim the next version, or say that somebody else has it."""
    seen = row.version if version is None else version
    one = (InspectionRow.id == row.id, InspectionRow.version == seen)
    done = connection.execute(update(InspectionRow).where(*one).values(version=seen + 1, changed_at=now()))
    if not done.rowcount:
        raise changed_meanwhile("plate")


def _remember(
    connection: Connection,
    inspection_id: int,
    version: int,
    who: str,
    action: str,
    before: Body,
    after: Body,
    *,
    undone: bool = False,
) -> None:
    connection.execute(
        insert(HistoryRow).values(
            inspection_id=inspection_id,
            version=version,
            at=now(),
            who=who,
            action=action,
            before=as_text(before),
            after=as_text(after),
            undone=undone,
        )
    )


def _change(row: Any) -> Change:
    return Change(
        row.id, row.version, row.at, row.who, row.action, json.loads(row.before), json.loads(row.after), row.undone
    )


def _as_json(changes: Mapping[str, Any]) -> dict[str, Any]:
    written = dict(changes)
    if isinstance(written.get("plate_date"), date):
        written["plate_date"] = written["plate_date"].isoformat()
    if "tags" in written:
        tags = {_clean(tag, 100) for tag in written["tags"]}
        written["tags"] = sorted(tags - {""})
    longest = {"who": 200, "title": 100_000, "notes": 100_000, "teaching_note": 100_000}
    return written | {name: _clean(written[name], most) for name, most in longest.items() if name in written}


def _clean(typed: str, longest: int) -> str:
    """Return typed words without zero bytes (which no database keeps) and outer blanks, cut to a length."""
    return typed.replace("\0", "").strip()[:longest]


def _record(new: NewInspection, photos: tuple[Photo, ...]) -> PlateRecord:
    kept_at: datetime = now()
    measurements: tuple[tuple[Measurement, str], ...] = ()
    if new.document is not None:
        made = Measurement(new_uid(), True, str(new.document["made_by"]["tool"]), kept_at)
        measurements = ((made, as_text(new.document)),)
    grade = new.grade and {
        "plate": new.grade.plate,
        "rules": new.grade.rules,
        "peppers": {str(number): name for number, name in new.grade.peppers.items()},
    }
    state = {
        **EMPTY,
        **_as_json(
            {
                "title": new.title,
                "notes": new.notes,
                "who": new.who,
                "plate_date": new.plate_date or kept_at.date(),
                "example": new.example,
                "teaching_note": new.teaching_note,
                "tags": new.tags,
            }
        ),
        "grade": grade,
        "defects": [[defect.number, defect.name] for defect in new.defects],
        "measurement": measurements[0][0].uid if measurements else None,
    }
    facts = () if new.hand_facts is None else (HandFacts(kept_at, new.who, new.hand_facts),)
    shown = tuple(replace(photo, kept_at=kept_at) for photo in photos)
    return PlateRecord(new_uid(), kept_at, state, new.sample, measurements, shown, facts)
