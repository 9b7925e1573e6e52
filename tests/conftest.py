"""Shared fixtures, and what happens where this machine lacks a server, a browser or the real photographs.

A test marked `postgres`, `browser` or `realphotos` needs something that is not a Python package. Where it is
missing, the test is left out and the run ends by saying so; under `CI=true` nothing is left out, so the run fails.
"""

import os
import shutil
from pathlib import Path

import pytest
from tests.databases import find_binaries, postgres_server
from tests.workers import FileByFile, longest_first

from truelobe.store import database, open_store

ROOT = Path(__file__).resolve().parents[1]
REAL_PHOTOS = ROOT.parent / "shared" / "real_photos"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
NEEDS = {
    "postgres": ("a PostgreSQL server", lambda: find_binaries() is not None),
    "browser": ("a Chromium browser", lambda: any(shutil.which(name) for name in BROWSERS)),
    "realphotos": ("the folder of real photographs beside the checkout", REAL_PHOTOS.is_dir),
}


def missing_needs():
    return {name: words for name, (words, there) in NEEDS.items() if not there()}


def pytest_xdist_make_scheduler(config, log):
    if config.getvalue("dist") != "load":  # somebody asked for another way
        return None
    config.option.loadscopereorder = False
    return FileByFile(config, log)


def pytest_collection_modifyitems(config, items):
    longest_first(items)
    if os.environ.get("CI") == "true":
        return
    missing = set(missing_needs())
    left_out = [item for item in items if missing & {mark.name for mark in item.iter_markers()}]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


def pytest_terminal_summary(terminalreporter):
    for report in terminalreporter.stats.get("passed", []):
        if report.when == "call" and "again" in dict(report.user_properties):
            terminalreporter.write_line(f"TRIED TWICE: {report.nodeid}: {dict(report.user_properties)['again']}.")
    # Asked again here rather than remembered from the collection, which parallel workers do out of sight.
    missing = missing_needs()
    for name, words in missing.items():
        terminalreporter.write_line(f"NOT RUN: the tests marked '{name}', which need {words}.")
    if not missing:
        terminalreporter.write_line("Nothing was left out: server, browser and photographs are all here.")


@pytest.fixture(scope="session")
def root():
    """The checkout's root."""
    return ROOT


@pytest.fixture(scope="session")
def real_photos():
    """The folder of real photographs; tests that use it carry the marker ``realphotos``."""
    return REAL_PHOTOS


@pytest.fixture(scope="session")
def postgres():
    """A running PostgreSQL server."""
    with postgres_server() as server:
        yield server


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def database_url(request, tmp_path):
    """The address of an empty database, once on SQLite and once on PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'truelobe.db'}"
    return request.getfixturevalue("postgres").new_database()


@pytest.fixture(scope="session")
def template(tmp_path_factory):
    """Databases with today's schema and nothing in them, to be copied: a SQLite file; PostgreSQL makes its own."""
    home = tmp_path_factory.mktemp("template")
    open_store(home).close()
    return home / "truelobe.db"


@pytest.fixture(scope="session")
def postgres_template(postgres, tmp_path_factory):
    url = postgres.new_database()
    open_store(tmp_path_factory.mktemp("template"), url).close()
    return url.split("/")[3].split("?")[0]


@pytest.fixture
def new_store(request, tmp_path, template, monkeypatch):
    """Make stores that are ready at once: ``new_store("sqlite")`` or ``new_store("postgresql")``.

    They do not wait for the disk; tests of durability open their own.
    """
    monkeypatch.setattr(os, "fsync", lambda handle: None)
    monkeypatch.setattr(database, "SYNCHRONOUS", "OFF")
    opened = []

    def make(kind="sqlite"):
        home = tmp_path / f"store-{len(opened)}"
        home.mkdir()
        if kind == "sqlite":
            shutil.copy(template, home / "truelobe.db")
            url = None
        else:
            server = request.getfixturevalue("postgres")
            url = server.new_database(request.getfixturevalue("postgres_template"))
        opened.append(open_store(home, url))
        return opened[-1]

    yield make
    for store in opened:
        store.close()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def store(request, new_store):
    """An empty store, once on SQLite and once on PostgreSQL."""
    return new_store(request.param)
