"""Carry a store to the newest schema when it is opened. Works from a wheel: the revisions are inside the package.

To add a table: write its model in `models_<topic>.py`, name the module in `models.py`, and add
`migrations/versions/r<NNNN>_<topic>.py` with `revision = "<NNNN>"` and `down_revision` set to the one before.
Revisions go upward only. A test compares the migrated schema with the models on both databases.
"""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, text

from truelobe.messages import TruelobeError
from truelobe.store.database import Database
from truelobe.store.trouble import said_plainly

MIGRATION_LOCK = 7_283_002


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def newest() -> str:
    """Return the newest revision that this version of the tool knows."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    if head is None:
        raise RuntimeError("the package holds no revision")
    return head


def revision_of(connection: Connection) -> str | None:
    """Return the revision a database stands at, or None when it is empty."""
    return MigrationContext.configure(connection).get_current_revision()


def migrate(database: Database, to: str = "head") -> str:
    """Bring a database up to a revision, alone and in one transaction; nothing is changed when it fails.

    Raises
    ------
    TruelobeError
        ``store-newer`` when a newer version of the tool wrote this store.
    """
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    target = newest() if to == "head" else to
    with database.read() as connection:
        found = revision_of(connection)
    if found == target:
        return target
    if found is not None and found not in known:
        raise TruelobeError(
            "store-newer",
            "This gallery was written by a newer version of the tool.",
            "Install the newest version, then open the gallery again.",
        )
    with said_plainly(), database.engine.connect() as connection:
        if database.dialect == "sqlite":  # else rebuilding a table would empty those that refer to it
            connection.connection.driver_connection.execute("PRAGMA foreign_keys=OFF")  # type: ignore[union-attr]
        connection = connection.execution_options(writes=True)
        with connection.begin():
            if database.dialect == "postgresql":
                connection.execute(text(f"SELECT pg_advisory_xact_lock({MIGRATION_LOCK})"))
            if revision_of(connection) != target:  # another process may have been first
                command.upgrade(_config(connection), target)
            if database.dialect == "sqlite" and connection.exec_driver_sql("PRAGMA foreign_key_check").first():
                raise RuntimeError("a revision broke a foreign key")
        if database.dialect == "sqlite":
            connection.connection.driver_connection.execute("PRAGMA foreign_keys=ON")  # type: ignore[union-attr]
    return target
