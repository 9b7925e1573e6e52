"""Write plates into one bundle: a zip file that another gallery, or another program, can read.

The form is described by `schema/bundle-1.json`. Plates go through one at a time; photos are copied as they are.
The file appears under its name only when it is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, TextIO, cast

from sqlalchemy import Connection, select

import truelobe
from truelobe.gallery.masks import CATEGORIES, CocoWriter, photo_name
from truelobe.gallery.written import moment, plate_to_json
from truelobe.store import Photo, Store
from truelobe.store.base import now
from truelobe.store.models_gallery import InspectionRow, WallItemRow, WallRow
from truelobe.store.plates import read_record
from truelobe.store.setup import note_copy
from truelobe.store.shelf import fsync_folder
from truelobe.store.trouble import said_plainly

_EPOCH = (1980, 1, 1, 0, 0, 0)


@contextmanager
def appearing(path: Path) -> Iterator[Path]:
    """Give a name to write under beside `path`; move it there, durable, when the block ends, else remove it."""
    waiting = path.with_name(f".{path.name}.part")
    try:
        with said_plainly():
            yield waiting
            with waiting.open("rb") as file:
                os.fsync(file.fileno())
            os.replace(waiting, path)
            fsync_folder(path.parent)
    finally:
        waiting.unlink(missing_ok=True)


class ZipWriter:
    """A zip file that keeps a checksum of each thing put into it, in the form that `sha256sum -c` reads."""

    def __init__(self, path: Path, checksums: TextIO) -> None:
        self._zip = zipfile.ZipFile(path, "w", allowZip64=True)
        self._checksums = checksums
        self._whole = hashlib.sha256()

    def add(self, name: str, data: bytes, *, deflate: bool = True, listed: bool = True) -> None:
        """Add bytes under a name."""
        info = zipfile.ZipInfo(name, _EPOCH)
        info.compress_type = zipfile.ZIP_DEFLATED if deflate else zipfile.ZIP_STORED
        self._zip.writestr(info, data)
        if listed:
            self._list(name, hashlib.sha256(data).hexdigest())

    def add_file(self, name: str, file: BinaryIO, *, listed: bool = True) -> None:
        """Add an open file under a name, piece by piece."""
        digest = hashlib.sha256()
        info = zipfile.ZipInfo(name, _EPOCH)
        info.compress_type = zipfile.ZIP_DEFLATED
        file.seek(0)
        with self._zip.open(info, "w", force_zip64=True) as entry:
            while piece := file.read(1 << 20):
                digest.update(piece)
                entry.write(piece)
        if listed:
            self._list(name, digest.hexdigest())

    def _list(self, name: str, sha256: str) -> None:
        line = f"{sha256}  {name}\n"
        self._checksums.write(line)
        self._whole.update(line.encode())

    @property
    def checksum_of_checksums(self) -> str:
        """The SHA-256 of the list as it stands."""
        return self._whole.hexdigest()

    def close(self) -> None:
        """Write the directory."""
        self._zip.close()


def export_bundle(store: Store, path: Path, uids: Sequence[str] | None = None, *, names: bool = False) -> int:
    """Write a bundle.

    Parameters
    ----------
    path : Path
        Where; replaced only when the new one is whole.
    uids : sequence of str, optional
        Which plates; everything by default, the bin too.
    names : bool
        Whether nicknames travel along.

    Returns
    -------
    int
        How many plates it holds.

    Raises
    ------
    TruelobeError
        ``disk-full``, ``folder-read-only``, ``photo-missing``.
    """
    if names:
        note_copy(store.settings, "bundle", path.name)
    with appearing(path) as waiting, store.workspace() as folder:
        files = _Files(folder)
        bundle = ZipWriter(waiting, files.checksums)
        with store.database.read() as connection:
            photos = _write_plates(connection, store, files, uids, names)
            walls = _walls(connection, None if uids is None else set(uids))
        files.finish(bundle)
        bundle.add("walls.json", json.dumps(walls, ensure_ascii=False, indent=1).encode())
        _write_photos(store, bundle, photos.values())
        manifest = {
            "bundle": 1,
            "made_by": f"truelobe {truelobe.__version__}",
            "made_at": moment(now()),
            "names": "included" if names else "left out",
            "plates": files.plates_written,
            "photos": len(photos),
            "checksums_sha256": bundle.checksum_of_checksums,
        }
        files.checksums.flush()
        with open(files.checksums.name, "rb") as listed:
            bundle.add_file("checksums.sha256", listed, listed=False)
        bundle.add("manifest.json", json.dumps(manifest, indent=1).encode(), listed=False)
        bundle.close()
        files.close()
    return files.plates_written


class _Files:
    """The parts of a bundle that grow plate by plate, on disk until they are put into it."""

    def __init__(self, folder: Path) -> None:
        self.plates, self.images, self.annotations, self.checksums = (
            (folder / name).open("w+", encoding="utf-8", newline="\n")
            for name in ("plates", "images", "annotations", "checksums")
        )
        self.coco = CocoWriter(self.images, self.annotations)
        self.plates_written = 0

    def finish(self, bundle: ZipWriter) -> None:
        self.plates.flush()
        bundle.add_file("plates.jsonl", cast(BinaryIO, self.plates.buffer))
        whole = Path(self.plates.name).with_name("coco")
        with whole.open("w+", encoding="utf-8") as coco:
            info = {"description": "Outlines of sweet peppers", "date_created": datetime.now(UTC).isoformat()}
            coco.write(f'{{"info": {json.dumps(info)},\n"categories": {json.dumps(CATEGORIES)},\n"images": [')
            _copy(self.images, coco)
            coco.write('],\n"annotations": [')
            _copy(self.annotations, coco)
            coco.write("]}\n")
            coco.flush()
            bundle.add_file("masks/coco.json", cast(BinaryIO, coco.buffer))

    def close(self) -> None:
        for file in (self.plates, self.images, self.annotations, self.checksums):
            file.close()


def _copy(source: TextIO, target: TextIO) -> None:
    source.seek(0)
    while piece := source.read(1 << 20):
        target.write(piece)


def _write_plates(
    connection: Connection, store: Store, files: _Files, uids: Sequence[str] | None, names: bool
) -> dict[str, Photo]:
    photos: dict[str, Photo] = {}
    for inspection_id in _ids(connection, uids):
        record = read_record(connection, inspection_id)
        files.plates.write(json.dumps(plate_to_json(record, names=names), ensure_ascii=False) + "\n")
        files.coco.add(record)
        files.plates_written += 1
        photos |= {photo.sha256: photo for photo in record.photos}
    return photos


def _ids(connection: Connection, uids: Sequence[str] | None) -> Iterator[int]:
    """Yield row ids in order, a few hundred at a time: one statement cannot name a hundred thousand plates."""
    if uids is None:
        last = 0
        while some := list(
            connection.execute(
                select(InspectionRow.id).where(InspectionRow.id > last).order_by(InspectionRow.id).limit(500)
            ).scalars()
        ):
            yield from some
            last = some[-1]
        return
    for first in range(0, len(uids), 500):
        asked = InspectionRow.uid.in_(list(uids[first : first + 500]))
        yield from connection.execute(select(InspectionRow.id).where(asked).order_by(InspectionRow.id)).scalars()


def _write_photos(store: Store, bundle: ZipWriter, photos: Iterable[Photo]) -> None:
    thumbnails: set[str] = set()
    for photo in photos:
        bundle.add(photo_name(photo), store.photos.read(photo.sha256), deflate=False)
        if photo.thumbnail_sha256 not in thumbnails:
            thumbnails.add(photo.thumbnail_sha256)
            name = f"thumbnails/{photo.thumbnail_sha256}.webp"
            bundle.add(name, store.photos.thumbnail(photo), deflate=False)


def _walls(connection: Connection, uids: set[str] | None) -> list[dict[str, object]]:
    rows = connection.execute(
        select(WallRow.uid, WallRow.title, WallRow.note, InspectionRow.uid.label("plate"))
        .join(WallItemRow, WallItemRow.wall_id == WallRow.id, isouter=True)
        .join(InspectionRow, InspectionRow.id == WallItemRow.inspection_id, isouter=True)
        .order_by(WallRow.position, WallRow.id, WallItemRow.position)
    )
    walls: dict[str, dict[str, object]] = {}
    hung: dict[str, list[str]] = {}
    for row in rows:
        walls.setdefault(row.uid, {"uid": row.uid, "title": row.title, "note": row.note, "plates": []})
        if row.plate and (uids is None or row.plate in uids):
            hung.setdefault(row.uid, []).append(row.plate)
    kept = [wall | {"plates": hung.get(uid, [])} for uid, wall in walls.items()]
    return [wall for wall in kept if uids is None or wall["plates"]]
