"""The order that makes a kept plate safe, and what happens when the disk says no."""

import errno
import os
import tempfile
from pathlib import Path

import pytest
from sqlalchemy import event, text
from tests.store import plates

from truelobe.messages import TruelobeError
from truelobe.store import NewInspection, open_store, prepare_photo


@pytest.fixture
def home():
    """A folder that other users of this machine can reach."""
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        yield Path(name) / "home"


def new(seed=1):
    return NewInspection((prepare_photo(plates.photo(seed, (320, 240)), name="a.jpg"),), plates.any_document(seed))


def test_a_photo_is_durable_under_its_name_before_the_row_commits(home, monkeypatch):
    """A kill can't reveal a missing fsync, so the order itself is recorded (as for any write-then-rename file)."""
    store = open_store(home)
    steps = []
    fsync, replace = os.fsync, os.replace

    def recording_fsync(handle):
        steps.append(("fsync", os.readlink(f"/proc/self/fd/{handle}")))
        fsync(handle)

    def recording_replace(source, target):
        steps.append(("rename", str(source), str(target)))
        replace(source, target)

    monkeypatch.setattr(os, "fsync", recording_fsync)
    monkeypatch.setattr(os, "replace", recording_replace)
    event.listen(store.database.engine, "commit", lambda connection: steps.append(("commit",)))
    prepared = new()
    kept = store.inspections.keep(prepared)
    for sha256 in (kept.photos[0].sha256, kept.photos[0].thumbnail_sha256):
        target = store.shelf.path(sha256)
        renamed = next(n for n, step in enumerate(steps) if step[0] == "rename" and step[2] == str(target))
        waiting = steps[renamed][1]
        order = [
            steps.index(("fsync", waiting)),
            renamed,
            max(n for n, step in enumerate(steps) if step == ("fsync", str(target.parent))),
            steps.index(("commit",)),
        ]
        assert order == sorted(order)
        assert len(set(order)) == 4
    with store.database.read() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # FULL: commit waits for the disk
    store.close()


def refused(store, code):
    """Keep a plate, and see it refused with a clear word and without a trace."""
    before = sorted(store.shelf.names())
    with pytest.raises(TruelobeError) as said:
        store.inspections.keep(new(2))
    assert said.value.message.code == code
    store.settle()
    assert sorted(store.shelf.names()) == before
    assert store.shelf.marked() == []


def test_a_disk_that_fills_up_while_a_photo_is_written(home, monkeypatch):
    store = open_store(home)
    kept = store.inspections.keep(new(1))

    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", full)
        refused(store, "disk-full")
    assert store.inspections.get(kept.uid).title == ""
    store.inspections.keep(new(2))
    store.close()


def test_a_database_that_can_grow_no_more(home):
    store = open_store(home)
    kept = store.inspections.keep(new(1))

    @event.listens_for(store.database.engine, "begin")
    def no_room(connection):
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")

    big = plates.document([plates.pepper(n, "red", 80, 90, 0.1) for n in range(1, 200)])
    with pytest.raises(TruelobeError) as said:
        store.inspections.keep(NewInspection((prepare_photo(plates.photo(3)),), big))
    assert said.value.message.code == "disk-full"
    store.settle()
    assert store.inspections.get(kept.uid).status == "ok"
    assert len(list(store.shelf.names())) == 2
    store.close()


class AsAnotherUser:
    """Root may write anywhere, so as root the store is used as a user without rights."""

    def __enter__(self):
        self._root = os.geteuid() == 0
        if self._root:
            os.seteuid(65534)

    def __exit__(self, *error):
        if self._root:
            os.seteuid(0)


def test_a_folder_that_may_not_be_written(home):
    store = open_store(home)
    store.inspections.keep(new(1))
    folders = [home / "photos", *(home / "photos").iterdir()]
    for folder in folders:
        folder.chmod(0o555)
    with AsAnotherUser(), pytest.raises(TruelobeError) as said:
        store.inspections.keep(new(2))
    assert said.value.message.code == "folder-read-only"
    for folder in folders:
        folder.chmod(0o755)
    store.settle()
    store.inspections.keep(new(2))
    store.close()


def test_a_database_that_may_not_be_written(home):
    open_store(home).close()
    for path in (home, *home.iterdir()):
        path.chmod(0o555 if path.is_dir() else 0o444)
    with AsAnotherUser(), pytest.raises(TruelobeError) as said:
        open_store(home).settings.put("line", 0.5)
    assert said.value.message.code == "folder-read-only"
    for path in (home, *home.iterdir()):
        path.chmod(0o755 if path.is_dir() else 0o644)


def test_a_server_that_does_not_answer(home):
    with pytest.raises(TruelobeError) as said:
        open_store(home, f"postgresql+psycopg://nobody@/none?host={home.parent}")
    assert said.value.message.code == "database-unreachable"


def test_an_address_that_is_none(home):
    with pytest.raises(TruelobeError) as said:
        open_store(home, "mysql://somewhere/else")
    assert said.value.message.code == "database-unknown"


def test_a_file_that_is_no_database(home):
    home.mkdir()
    (home / "truelobe.db").write_bytes(b"This is no database at all. " * 100)
    with pytest.raises(TruelobeError) as said:
        open_store(home)
    assert said.value.message.code == "store-damaged"


def test_a_killed_keepers_leftovers_are_settled_at_the_next_start(home):
    store = open_store(home)
    kept = store.inspections.keep(new(1))
    store.shelf.put(b"half a plate")  # marked, and nothing refers to it
    store.shelf.mark(kept.photos[0].sha256)  # marked after its row was committed
    (home / "photos" / ".unsettled" / "arriving-x").write_bytes(b"half a file")
    gone = home / "incoming" / "999999999-x"
    gone.mkdir(parents=True)
    store.close()
    store = open_store(home)
    assert sorted(store.shelf.names()) == sorted([kept.photos[0].sha256, kept.photos[0].thumbnail_sha256])
    assert store.shelf.marked() == []
    assert not gone.exists()
    with store.database.read() as connection:
        assert connection.execute(text("SELECT count(*) FROM inspections")).scalar() == 1
    store.close()
