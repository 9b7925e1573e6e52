"""Online backup of everything a store holds, on either database, and restore into an empty store of either kind.

A backup is a zip file: `backup.json` (form, schema revision, row counts, checksums), `tables/NAME.jsonl` (each row
of every table, as one consistent snapshot) and `files/SHA256` (photos, thumbnails, uploads of drafts). Tables are
taken from the schema itself, so a room that adds tables has them in the backup.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any, BinaryIO, cast

from sqlalchemy import Connection, Date, DateTime, MetaData, Table, insert, select, text

from truelobe.gallery.export import ZipWriter, appearing
from truelobe.messages import TruelobeError
from truelobe.store import Store, open_store
from truelobe.store.base import Base
from truelobe.store.database import Database
from truelobe.store.migrate import migrate, revision_of
from truelobe.store.models_gallery import InspectionRow, PhotoRow
from truelobe.store.models_setup import DraftUploadRow
from truelobe.store.place import find_place
from truelobe.store.setup import note_copy
from truelobe.store.shelf import FolderShelf, RemoteShelf
from truelobe.store.state import index_words
from truelobe.store.trouble import said_plainly

FORM = 1
_BATCH = 500


def back_up(store: Store, path: Path) -> int:
    """Write a backup while others go on working.

    Returns
    -------
    int
        How many rows it holds.

    Raises
    ------
    TruelobeError
        ``disk-full``, ``folder-read-only``, ``photo-missing``.
    """
    note_copy(store.settings, "backup", path.name)
    with (
        appearing(path) as waiting,
        store.workspace() as folder,
        (folder / "checksums").open("w+", encoding="utf-8") as checksums,
    ):
        archive = ZipWriter(waiting, checksums)
        with store.database.read() as connection:
            counts = {
                table.name: _write_table(connection, table, archive, folder)
                for table in Base.metadata.sorted_tables
            }
            revision = revision_of(connection)
            photos, uploads = _files(connection)
        for shelf, names in ((store.shelf, photos), (store.uploads, uploads - photos)):
            for name in sorted(names):
                archive.add(f"files/{name}", shelf.read(name), deflate=False, listed=False)
        checksums.seek(0)
        lines = (line.rstrip("\n").split("  ") for line in checksums)
        head = {
            "backup": FORM,
            "revision": revision,
            "rows": counts,
            "sha256": {name: sha256 for sha256, name in lines},
            "photos": sorted(photos),
            "uploads": sorted(uploads),
        }
        archive.add("backup.json", json.dumps(head).encode(), listed=False)
        archive.close()
    return sum(counts.values())


def _write_table(connection: Connection, table: Table, archive: ZipWriter, folder: Path) -> int:
    count = 0
    with (folder / "table").open("w+b") as file:
        rows = connection.execution_options(yield_per=_BATCH).execute(select(table).order_by(*table.primary_key))
        for row in rows:
            values = {name: _plain(value) for name, value in row._mapping.items()}
            file.write(json.dumps(values, ensure_ascii=False).encode() + b"\n")
            count += 1
        archive.add_file(f"tables/{table.name}.jsonl", cast(BinaryIO, file))
    return count


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else value


def _files(connection: Connection) -> tuple[set[str], set[str]]:
    photos = set(connection.execute(select(PhotoRow.sha256)).scalars())
    photos |= set(connection.execute(select(PhotoRow.thumbnail_sha256)).scalars())
    return photos, set(connection.execute(select(DraftUploadRow.sha256)).scalars())


def restore(path: Path, home: Path | str | None = None, url: str | None = None) -> int:
    """Fill an empty store from a backup.

    Returns
    -------
    int
        How many rows were written.

    Raises
    ------
    TruelobeError
        ``store-not-empty``, ``backup-damaged``, ``store-newer``, ``file-missing``; the store is then as it was.
    """
    damaged = TruelobeError(
        "backup-damaged", "This backup is damaged or none, so nothing was restored.", "Try an older backup."
    )
    try:
        with said_plainly(), zipfile.ZipFile(path) as archive:
            head = json.loads(archive.read("backup.json"))
            if not _whole(archive, head):
                raise damaged
            return _fill(archive, head, home, url)
    except FileNotFoundError:
        raise TruelobeError("file-missing", f"There is no file {path.name}.", "Choose the backup again.") from None
    except (zipfile.BadZipFile, zlib.error, KeyError, ValueError, EOFError, NotImplementedError) as error:
        raise damaged from error


def _whole(archive: zipfile.ZipFile, head: Mapping[str, Any]) -> bool:
    files = {name: name.removeprefix("files/") for name in archive.namelist() if name.startswith("files/")}
    expected = {**head["sha256"], **files}
    wanted = {f"files/{name}" for name in (*head["photos"], *head["uploads"])}
    if (
        head["backup"] != FORM
        or not wanted <= set(files)
        or set(archive.namelist()) - set(expected) != {"backup.json"}
    ):
        return False
    return all(_sha256(archive, name) == sha256 for name, sha256 in expected.items())


def _sha256(archive: zipfile.ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with archive.open(name) as entry:
        while piece := entry.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def _fill(archive: zipfile.ZipFile, head: Mapping[str, Any], home: Path | str | None, url: str | None) -> int:
    place = find_place(home, url)
    place.home.mkdir(parents=True, exist_ok=True)
    database = Database(place.url)
    with database.read() as connection:
        fresh = revision_of(connection) is None
    if fresh:
        migrate(database, to=head["revision"])  # the backup's own age first; opening carries it on
    database.close()
    if not fresh:
        open_store(home, url).close()
    store = Store.at(place)
    try:
        with store.database.write("adding") as connection:
            tables = _tables(connection, head)
            for name in head["photos"]:
                _put(store.shelf, archive, name)
            for name in head["uploads"]:
                _put(store.uploads, archive, name)
            for table in tables:
                _insert(connection, table, archive)
            _reset_sequences(connection, tables)
        migrate(store.database)
        _index(store)
        store.settle()
    finally:
        store.close()
    return sum(head["rows"].values())


def _tables(connection: Connection, head: Mapping[str, Any]) -> list[Table]:
    """Return the tables as they stand at the backup's age, all empty, those referred to first."""
    found = MetaData()
    found.reflect(connection, only=list(head["rows"]))
    if any(connection.execute(select(table).limit(1)).first() for table in found.sorted_tables):
        raise TruelobeError(
            "store-not-empty",
            "This store already holds something, so nothing was restored.",
            "Restore into an empty folder or database, or import a bundle instead.",
        )
    return found.sorted_tables


def _put(shelf: FolderShelf | RemoteShelf, archive: zipfile.ZipFile, name: str) -> None:
    shelf.put(archive.read(f"files/{name}"))


def _insert(connection: Connection, table: Table, archive: zipfile.ZipFile) -> None:
    with archive.open(f"tables/{table.name}.jsonl") as lines:
        batch = []
        for values in _rows(table, lines):
            batch.append(values)
            if len(batch) == _BATCH:
                connection.execute(insert(table), batch)
                batch = []
        if batch:
            connection.execute(insert(table), batch)


def _rows(table: Table, lines: Any) -> Iterator[dict[str, Any]]:
    for line in lines:
        values: dict[str, Any] = json.loads(line)
        for name, value in values.items():
            kind = table.c[name].type
            if isinstance(value, str) and isinstance(kind, DateTime):
                values[name] = datetime.fromisoformat(value).replace(tzinfo=None)
            elif isinstance(value, str) and isinstance(kind, Date):
                values[name] = date.fromisoformat(value)
        yield values


def _reset_sequences(connection: Connection, tables: list[Table]) -> None:
    """Let PostgreSQL number new rows after the restored ones; SQLite does so by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table in tables:
        column = table.autoincrement_column
        if column is not None:
            sequence = f"pg_get_serial_sequence('{table.name}', '{column.name}')"
            highest = f"SELECT max({column.name}) FROM {table.name}"
            connection.execute(text(f"SELECT setval({sequence}, coalesce(({highest}), 1))"))


def _index(store: Store) -> None:
    """Take in every plate's words; the full-text index is not part of a backup."""
    with store.database.write() as connection:
        for inspection_id in list(connection.execute(select(InspectionRow.id)).scalars()):
            index_words(connection, inspection_id)
