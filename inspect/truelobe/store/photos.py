"""Kept photos: rows in the database, bytes on the shelf. A row is only written after its bytes are durable."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict

from sqlalchemy import Connection, delete, exists, insert, select, union_all
from sqlalchemy.exc import IntegrityError

from truelobe.store.base import now
from truelobe.store.database import Database
from truelobe.store.models_gallery import InspectionPhotoRow, PhotoRow
from truelobe.store.pictures import PreparedPhoto, whole_again
from truelobe.store.records import Photo
from truelobe.store.shelf import FolderShelf, RemoteShelf, sha256_of
from truelobe.store.trouble import not_found


class Photos:
    """The photos of kept plates."""

    def __init__(self, database: Database, shelf: FolderShelf | RemoteShelf) -> None:
        self._database = database
        self.shelf = shelf

    def get(self, sha256: str) -> Photo:
        """Return what a kept photo is.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        with self._database.read() as connection:
            row = (
                connection.execute(select(PhotoRow.__table__).where(PhotoRow.sha256 == sha256)).mappings().first()
            )
        if row is None:
            raise not_found("photo")
        return Photo(**row)

    def read(self, sha256: str) -> bytes:
        """Return a kept photo's file, as kept: upright, maybe cut."""
        return self.shelf.read(sha256)

    def thumbnail(self, photo: Photo) -> bytes:
        """Return a small WebP picture, 512 pixels on its longer side."""
        return self.shelf.read(photo.thumbnail_sha256)

    def for_measuring(self, sha256: str) -> bytes:
        """Return a file that measures as the original did: the kept part, put back in a picture of full size."""
        photo = self.get(sha256)
        data = self.read(sha256)
        if not photo.cropped:
            return data
        size = (photo.original_width_px, photo.original_height_px)
        return whole_again(data, size, (photo.crop_x, photo.crop_y), photo.focal_35mm)

    # What follows runs inside a caller's transaction.

    def put_files(self, prepared: PreparedPhoto) -> Photo:
        """Make a photo's files durable, marked until a row refers to them. Inside a ``write("adding")`` only."""
        sha256 = self.shelf.put(prepared.data)
        thumbnail = self.shelf.put(prepared.thumbnail)
        return Photo(
            sha256=sha256,
            original_sha256=prepared.original_sha256,
            media_type=prepared.media_type,
            bytes=len(prepared.data),
            width_px=prepared.width_px,
            height_px=prepared.height_px,
            original_width_px=prepared.original_width_px,
            original_height_px=prepared.original_height_px,
            crop_x=prepared.crop_x,
            crop_y=prepared.crop_y,
            focal_35mm=prepared.focal_35mm,
            camera=prepared.camera,
            thumbnail_sha256=thumbnail,
            kept_at=now(),
            name=prepared.name,
        )

    @staticmethod
    def put_row(connection: Connection, photo: Photo) -> None:
        """Write a photo's row, where it is not there yet."""
        if connection.execute(select(exists().where(PhotoRow.sha256 == photo.sha256))).scalar():
            return
        values = asdict(photo)
        del values["name"]
        try:
            with connection.begin_nested():
                connection.execute(insert(PhotoRow).values(**values))
        except IntegrityError:  # somebody else kept the same photo in this moment
            return

    def settled(self, photos: Iterable[Photo]) -> None:
        """Take the marks off, once the transaction that refers to the photos has committed."""
        for photo in photos:
            self.shelf.unmark(photo.sha256)
            self.shelf.unmark(photo.thumbnail_sha256)

    def drop_rows(self, connection: Connection, candidates: Iterable[str]) -> list[str]:
        """Delete the rows of photos that no plate holds any more; return the names of their files, marked."""
        asked = list(candidates)
        held = select(InspectionPhotoRow.sha256).where(InspectionPhotoRow.sha256.in_(asked))
        loose = connection.execute(
            select(PhotoRow.sha256, PhotoRow.thumbnail_sha256).where(
                PhotoRow.sha256.in_(asked), PhotoRow.sha256.not_in(held)
            )
        ).all()
        files = [name for row in loose for name in row]
        for name in files:
            self.shelf.mark(name)
        connection.execute(delete(PhotoRow).where(PhotoRow.sha256.in_([row.sha256 for row in loose])))
        return files

    def sweep(self, files: Iterable[str]) -> None:
        """Remove marked files that no row refers to, alone; others only lose their mark."""
        names = sorted(set(files))
        if not names:
            return
        with self._database.write("removing") as connection:
            used = set(
                connection.execute(
                    union_all(
                        select(PhotoRow.sha256).where(PhotoRow.sha256.in_(names)),
                        select(PhotoRow.thumbnail_sha256).where(PhotoRow.thumbnail_sha256.in_(names)),
                    )
                ).scalars()
            )
            for name in names:
                if name not in used:
                    self.shelf.remove(name)
                self.shelf.unmark(name)

    def intact(self, sha256: str) -> bool:
        """Tell whether a file is there with the right bytes."""
        return self.shelf.has(sha256) and sha256_of(self.shelf.read(sha256)) == sha256
