"""A real PostgreSQL server for the tests: its own data folder, reached by a socket in it, gone afterwards.

PostgreSQL refuses to run as root, so as root the server runs as the system user `postgres`.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import psycopg

USER = "truelobe"


def find_binaries() -> Path | None:
    """Return the folder of `initdb` and `pg_ctl`, or None when no server is installed."""
    on_path = shutil.which("pg_ctl")
    if on_path:
        return Path(on_path).resolve().parent
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


class Server:
    """A running server; every test asks it for a database of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def new_database(self, template: str = "template0") -> str:
        """Make a database, empty or a copy of another, and return its address for SQLAlchemy."""
        name = f"t{uuid4().hex}"
        with psycopg.connect(self._plain("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")  # type: ignore[call-overload]
        return f"postgresql+psycopg://{USER}@/{name}?host={self.folder}"

    def _plain(self, name: str) -> str:
        return f"host={self.folder} user={USER} dbname={name}"


@contextmanager
def postgres_server(*, durable: bool = False) -> Iterator[Server]:
    """Start a server and stop it afterwards.

    Parameters
    ----------
    durable : bool
        Whether commits wait for the disk; tests do without, kill trials and timings do not.
    """
    binaries = find_binaries()
    if binaries is None:
        raise RuntimeError("PostgreSQL is not installed on this machine")
    folder = Path(tempfile.mkdtemp(prefix="truelobe-pg-"))
    as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    if as_user:
        shutil.chown(folder, "postgres")

    def run(program: str, *arguments: str) -> None:
        subprocess.run(
            [*as_user, str(binaries / program), *arguments], check=True, cwd=folder, capture_output=True
        )

    data = str(folder / "data")
    fsync = "on" if durable else "off"
    options = f"-c listen_addresses= -k {folder} -c fsync={fsync} -c max_connections=80"
    try:
        run("initdb", "-D", data, "-U", USER, "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
        run("pg_ctl", "-D", data, "-w", "-s", "-l", str(folder / "log"), "-o", options, "start")
        try:
            yield Server(folder)
        finally:
            run("pg_ctl", "-D", data, "-w", "-s", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
