"""The one door to everything that is kept: `open_store`."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import select

from truelobe.store import models  # noqa: F401  (so that every table is known)
from truelobe.store.base import new_uid
from truelobe.store.database import Database
from truelobe.store.drafts import Drafts
from truelobe.store.inspections import Inspections
from truelobe.store.migrate import migrate
from truelobe.store.models_gallery import PhotoRow
from truelobe.store.models_setup import DraftUploadRow
from truelobe.store.photos import Photos
from truelobe.store.place import Place, find_place
from truelobe.store.setup import Prints, References, RuleSets, Settings
from truelobe.store.shelf import FolderShelf, RemoteShelf, open_shelf
from truelobe.store.trouble import said_plainly

WORKSPACES = "incoming"


class Store:
    """An open store. Safe to share between threads; each process opens its own.

    Attributes
    ----------
    place : Place
        Folder and database.
    database : Database
        For the rooms that keep tables of their own: ``with store.database.write() as connection``.
    inspections, photos, drafts, prints, references, settings, rules
        What is kept, by topic.
    """

    def __init__(self, place: Place, database: Database) -> None:
        self.place = place
        self.database = database
        self.shelf = open_shelf(place.photos)
        self.uploads = FolderShelf(place.home / "uploads")
        self.photos = Photos(database, self.shelf)
        self.inspections = Inspections(database, self.photos)
        self.drafts = Drafts(database, self.uploads)
        self.prints = Prints(database)
        self.references = References(database)
        self.settings = Settings(database)
        self.rules = RuleSets(database)

    @classmethod
    def at(cls, place: Place) -> Store:
        """Return the store at a place as it is: neither made nor migrated. Everyday code calls `open_store`."""
        return cls(place, Database(place.url))

    @contextmanager
    def workspace(self) -> Iterator[Path]:
        """Give a folder for files on their way in or out, on the photos' disk, gone when the block ends."""
        folder = self.place.home / WORKSPACES / f"{os.getpid()}-{new_uid()}"
        with said_plainly():
            folder.mkdir(parents=True)
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def settle(self) -> int:
        """Look up what a killed process left in doubt: remove files nothing refers to, keep the others.

        Returns
        -------
        int
            How many names were in doubt.
        """
        marked = [(shelf, shelf.marked()) for shelf in (self.shelf, self.uploads)]
        in_doubt = sum(len(names) for _, names in marked)
        if in_doubt:
            with self.database.write("removing") as connection:
                used = set(connection.execute(select(PhotoRow.sha256)).scalars())
                used |= set(connection.execute(select(PhotoRow.thumbnail_sha256)).scalars())
                uploads = set(connection.execute(select(DraftUploadRow.sha256)).scalars())
                _settle(self.shelf, used)
                _settle(self.uploads, uploads)
        for folder in abandoned_workspaces(self.place.home):
            shutil.rmtree(folder, ignore_errors=True)
        return in_doubt

    def close(self) -> None:
        """Give the connections back."""
        self.database.close()


def abandoned_workspaces(home: Path) -> list[Path]:
    """Return the workspaces whose process is gone; where that can't be known, those a day old."""
    folders = list((home / WORKSPACES).iterdir()) if (home / WORKSPACES).is_dir() else []
    return sorted(folder for folder in folders if _abandoned(folder))


def _abandoned(folder: Path) -> bool:
    pid = folder.name.split("-")[0]
    if os.name == "nt" or not pid.isdigit():  # signal 0 would end the process there
        return time.time() - folder.stat().st_mtime > 86_400
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return False


def _settle(shelf: FolderShelf | RemoteShelf, used: set[str]) -> None:
    for name in shelf.marked():
        if name not in used:
            shelf.remove(name)
        shelf.unmark(name)


def open_store(home: Path | str | None = None, url: str | None = None) -> Store:
    """Open the store, making or migrating it where needed.

    Parameters
    ----------
    home : Path or str, optional
        Folder of everything on disk; `TRUELOBE_HOME`, else the user's data folder.
    url : str, optional
        Database; `TRUELOBE_DATABASE`, else a SQLite file in the folder.

    Raises
    ------
    TruelobeError
        ``store-newer``, ``folder-read-only``, ``disk-full``, ``database-unreachable``, ``database-unknown``.
    """
    place = find_place(home, url)
    with said_plainly():
        place.home.mkdir(parents=True, exist_ok=True)
    database = Database(place.url)
    migrate(database)
    store = Store(place, database)
    store.settle()
    return store
