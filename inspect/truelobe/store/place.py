"""Where the store lies: the user's data folder, moved by `TRUELOBE_HOME`; the database by `TRUELOBE_DATABASE`."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import platformdirs
from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from truelobe.messages import TruelobeError


@dataclass(frozen=True)
class Place:
    """A folder, a database and where the photos lie.

    Attributes
    ----------
    home : Path
        Folder of everything that lies on disk.
    url : sqlalchemy.URL
        ``sqlite:///.../truelobe.db`` or ``postgresql+psycopg://...``.
    photos : str
        A folder, or an address that fsspec understands (``s3://bucket/photos``).
    """

    home: Path
    url: URL
    photos: str

    @property
    def shown(self) -> str:
        """The database as a page may show it: never with a password."""
        if self.url.get_backend_name() == "sqlite":
            return str(self.url.database)
        return self.url.render_as_string(hide_password=True)


def find_place(home: Path | str | None = None, url: str | None = None) -> Place:
    """Return the place given by the arguments, else by the environment, else the user's data folder.

    Raises
    ------
    TruelobeError
        ``database-unknown`` for an address that is neither SQLite nor PostgreSQL.
    """
    folder = Path(home or os.environ.get("TRUELOBE_HOME") or platformdirs.user_data_dir("truelobe", False))
    folder = folder.expanduser().absolute()
    written = url or os.environ.get("TRUELOBE_DATABASE")
    return Place(
        home=folder,
        url=_database(written) if written else URL.create("sqlite", database=str(folder / "truelobe.db")),
        photos=os.environ.get("TRUELOBE_PHOTOS") or str(folder / "photos"),
    )


def _database(written: str) -> URL:
    unknown = TruelobeError(
        "database-unknown",
        "The database's address is not one that the gallery understands.",
        "Use postgresql+psycopg://name@host/database, or leave TRUELOBE_DATABASE empty for a file here.",
    )
    try:
        parsed = make_url(written)
    except ArgumentError:
        raise unknown from None
    if parsed.get_backend_name() == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    if parsed.get_backend_name() == "sqlite" and parsed.database:
        return parsed
    raise unknown
