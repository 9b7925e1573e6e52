"""One database behind two words, `read` and `write`, alike on SQLite and on PostgreSQL.

SQLite runs with write-ahead log, foreign keys, `synchronous=FULL` and a busy timeout. A reading transaction sees
one snapshot. A writing transaction takes the write lock at its start (`BEGIN IMMEDIATE`): a reader that turns
writer half way could be refused without being allowed to wait.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import URL, Connection, Engine, FromClause, create_engine, event, text
from sqlalchemy.dialects.sqlite.base import SQLiteCompiler
from sqlalchemy.pool import ConnectionPoolEntry

from truelobe.store.trouble import said_plainly

Dialect = Literal["sqlite", "postgresql"]
BUSY_SECONDS = 30
SYNCHRONOUS = "FULL"
PHOTO_LOCK = 7_283_001
"""Number of the PostgreSQL advisory lock that stands between keeping a photo and removing one."""


class Database:
    """An engine, with transactions that say what they are for."""

    def __init__(self, url: URL) -> None:
        self.dialect: Dialect = "sqlite" if url.get_backend_name() == "sqlite" else "postgresql"
        self.url = url
        self.engine = _sqlite(url) if self.dialect == "sqlite" else _postgres(url)

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Open a transaction that sees one unchanging state of the store and changes nothing."""
        with said_plainly(), self.engine.connect() as connection:
            if self.dialect == "postgresql":
                connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                yield connection

    @contextmanager
    def write(self, photos: Literal["untouched", "adding", "removing"] = "untouched") -> Iterator[Connection]:
        """Open a transaction that commits when the block ends and leaves no trace when it raises.

        Parameters
        ----------
        photos : {"untouched", "adding", "removing"}
            Whether the block adds references to photo files or removes files. Adders exclude removers until they
            have committed, so a file is never removed while somebody is about to refer to it. (On SQLite the one
            write lock does the same.)
        """
        with said_plainly(), self.engine.connect() as connection:
            connection = connection.execution_options(writes=True)
            with connection.begin():
                if self.dialect == "postgresql" and photos != "untouched":
                    shared = "_shared" if photos == "adding" else ""
                    connection.execute(text(f"SELECT pg_advisory_xact_lock{shared}({PHOTO_LOCK})"))
                yield connection

    def close(self) -> None:
        """Give all connections back."""
        self.engine.dispose()


class _HintingCompiler(SQLiteCompiler):
    """Writes hints (``INDEXED BY ...``) after a table's name, where SQLite wants them."""

    def get_from_hint_text(self, table: FromClause, text: str | None) -> str | None:
        return text


def _postgres(url: URL) -> Engine:
    # Compiling a plan, or starting helpers for it, takes longer than any search here runs.
    options = {"options": "-c jit=off -c max_parallel_workers_per_gather=0"}
    return create_engine(url, pool_size=8, max_overflow=24, pool_pre_ping=True, connect_args=options)


def _sqlite(url: URL) -> Engine:
    if url.database:
        with said_plainly():
            Path(url.database).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(
        url, pool_size=8, max_overflow=24, connect_args={"timeout": BUSY_SECONDS, "check_same_thread": False}
    )

    engine.dialect.statement_compiler = _HintingCompiler

    @event.listens_for(engine, "connect")
    def prepare(raw: sqlite3.Connection, entry: ConnectionPoolEntry) -> None:
        raw.isolation_level = None  # transactions are begun below, not guessed by the driver
        for pragma in ("journal_mode=WAL", "foreign_keys=ON", f"synchronous={SYNCHRONOUS}", "cache_size=-65536"):
            raw.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        options: dict[str, Any] = dict(connection.get_execution_options())
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes") else "BEGIN")

    return engine
