"""The one door to everything that is kept: `open_store`."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import select

from truelobe.store import models  # noqa: F401  (so that every table is known)
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
        return in_doubt

    def close(self) -> None:
        """Give the connections back."""
        self.database.close()


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
