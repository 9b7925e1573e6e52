"""Is everything there, and right? `check` looks and changes nothing; `repair` mends what can be mended.

Faults: a photo whose file is missing or has other bytes, a file that nothing refers to, figures that differ from
their document, words that are not indexed, a damaged database. What a killed process left in doubt is settled when
the store is opened, and is no fault.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, select, text, update

from truelobe.messages import TruelobeError
from truelobe.store import Store, prepare_photo
from truelobe.store.documents import decision_rows, pepper_rows
from truelobe.store.models_gallery import DecisionRow, InspectionRow, MeasurementRow, PepperRow, PhotoRow
from truelobe.store.models_setup import DraftUploadRow
from truelobe.store.state import apply_state, index_words

Kind = Literal[
    "photo missing",
    "photo damaged",
    "thumbnail missing",
    "upload missing",
    "stray file",
    "figures differ",
    "words missing",
    "database damaged",
]


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong: what kind, and which file or plate."""

    kind: Kind
    what: str


@dataclass(frozen=True)
class Health:
    """What a check found."""

    plates: int
    photos: int
    faults: tuple[Fault, ...]

    @property
    def clean(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def check(store: Store) -> Health:
    """Look at every record and file, reading each photo once, while others go on working.

    Files are listed before the rows are read, and whatever looks wrong is looked at again at the end: a plate that
    is being kept or removed meanwhile is no fault.
    """
    on_shelf, on_uploads = set(store.shelf.names()), set(store.uploads.names())
    in_doubt = {*store.shelf.marked(), *store.uploads.marked()}
    with store.database.read() as connection:
        faults = [Fault("database damaged", line) for line in _database(connection)]
        photos, thumbnails, uploads = _named(connection)
        plates = list(connection.execute(select(InspectionRow.id, InspectionRow.uid)).all())
        faults += [Fault("figures differ", uid) for number, uid in plates if _figures_differ(connection, number)]
        faults += [Fault("words missing", uid) for number, uid in plates if not _indexed(connection, number)]
    suspects = [
        *_photo_faults(store, photos, thumbnails),
        *(Fault("upload missing", one) for one in sorted(uploads - on_uploads)),
        *(Fault("stray file", one) for one in sorted(on_shelf - photos - thumbnails - in_doubt)),
        *(Fault("stray file", one) for one in sorted(on_uploads - uploads - in_doubt)),
        *(Fault("stray file", one) for one in (*store.shelf.strays(), *store.uploads.strays())),
    ]
    return Health(len(plates), len(photos), (*faults, *_still(store, suspects)))


def _named(connection: Connection) -> tuple[set[str], set[str], set[str]]:
    """Return the files that rows name: photos, thumbnails, uploads."""
    columns = (PhotoRow.sha256, PhotoRow.thumbnail_sha256, DraftUploadRow.sha256)
    photos, thumbnails, uploads = (set(connection.execute(select(column)).scalars()) for column in columns)
    return photos, thumbnails, uploads


def _photo_faults(store: Store, photos: set[str], thumbnails: set[str]) -> Iterator[Fault]:
    for sha256 in sorted(photos):
        if not store.shelf.has(sha256):
            yield Fault("photo missing", sha256)
        elif not store.photos.intact(sha256):
            yield Fault("photo damaged", sha256)
    for sha256 in sorted(thumbnails - photos):
        if not store.photos.intact(sha256):
            yield Fault("thumbnail missing", sha256)


def _still(store: Store, suspects: list[Fault]) -> list[Fault]:
    """Return the faults that are none of somebody's work in this moment."""
    if not suspects:
        return []
    in_doubt = {*store.shelf.marked(), *store.uploads.marked()}
    with store.database.read() as connection:
        named = set().union(*_named(connection))
    return [
        fault
        for fault in suspects
        if (fault.what not in named | in_doubt if fault.kind == "stray file" else fault.what in named)
    ]


def _database(connection: Connection) -> list[str]:
    if connection.dialect.name != "sqlite":
        return []
    found = connection.execute(text("PRAGMA integrity_check")).scalars().all()
    broken = connection.execute(text("PRAGMA foreign_key_check")).all()
    return [line for line in found if line != "ok"] + [str(tuple(row)) for row in broken]


def _figures_differ(connection: Connection, inspection_id: int) -> bool:
    written = connection.execute(
        select(MeasurementRow.document).where(
            MeasurementRow.inspection_id == inspection_id, MeasurementRow.current
        )
    ).scalar()
    document = json.loads(written) if written else {}
    expected: tuple[tuple[Any, list[dict[str, Any]]], ...] = (
        (PepperRow, pepper_rows(document)),
        (DecisionRow, decision_rows(document)),
    )
    for table, rows in expected:
        found = connection.execute(select(table.__table__).where(table.inspection_id == inspection_id)).mappings()
        names = set(rows[0]) if rows else set()
        here = [{name: row[name] for name in names} for row in found]
        if sorted(map(_key, here)) != sorted(map(_key, rows)):
            return True
    return False


def _key(row: dict[str, Any]) -> str:
    return json.dumps(row, sort_keys=True)


def _indexed(connection: Connection, inspection_id: int) -> bool:
    found = connection.execute(text("SELECT 1 FROM words WHERE rowid = :id"), {"id": inspection_id})
    return found.scalar() is not None


@dataclass(frozen=True)
class Repaired:
    """What a repair mended, and what is left for a person: a photo that is gone comes back only from a backup."""

    mended: tuple[Fault, ...]
    left: tuple[Fault, ...]


def repair(store: Store) -> Repaired:
    """Mend what can be mended without losing anything.

    Stray files are not thrown away: they move into the folder `lost+found` beside the photos.
    """
    faults = check(store).faults
    mended = [fault for fault in faults if _mend(store, fault)]
    return Repaired(tuple(mended), tuple(fault for fault in faults if fault not in mended))


def _mend(store: Store, fault: Fault) -> bool:
    if fault.kind == "thumbnail missing":
        return _mend_thumbnail(store, fault.what)
    if fault.kind == "stray file":
        aside = store.place.home / "lost+found"
        return store.shelf.set_aside(fault.what, aside) or store.uploads.set_aside(fault.what, aside)
    if fault.kind in ("figures differ", "words missing"):
        with store.database.write() as connection:
            one = InspectionRow.uid == fault.what
            inspection_id = connection.execute(select(InspectionRow.id).where(one)).scalar_one()
            current = connection.execute(
                select(MeasurementRow.uid).where(
                    MeasurementRow.inspection_id == inspection_id, MeasurementRow.current
                )
            ).scalar()
            if fault.kind == "figures differ":
                apply_state(connection, inspection_id, {"measurement": current})
            index_words(connection, inspection_id)
        return True
    return False


def _mend_thumbnail(store: Store, thumbnail: str) -> bool:
    """Make a thumbnail again from its photo; a newer encoder may make other bytes, so the row follows."""
    with store.database.write("adding") as connection:
        rows = connection.execute(select(PhotoRow.sha256).where(PhotoRow.thumbnail_sha256 == thumbnail)).scalars()
        for sha256 in list(rows):
            try:
                made = prepare_photo(store.shelf.read(sha256)).thumbnail
            except TruelobeError:
                return False
            store.shelf.remove(thumbnail)
            new = store.shelf.put(made)
            connection.execute(update(PhotoRow).where(PhotoRow.sha256 == sha256).values(thumbnail_sha256=new))
    store.settle()
    return True
