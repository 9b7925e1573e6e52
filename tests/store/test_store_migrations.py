"""The schema: revisions carry any store to the newest one, on both databases, and agree with the models."""

from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import insert, text

from truelobe import gallery
from truelobe.gallery import restore
from truelobe.messages import TruelobeError
from truelobe.store import open_store
from truelobe.store.database import Database
from truelobe.store.migrate import _config, migrate, newest
from truelobe.store.models import Base
from truelobe.store.models_gallery import InspectionRow
from truelobe.store.place import find_place


def revisions() -> list[str]:
    walked = ScriptDirectory.from_config(_config()).walk_revisions()
    return sorted(script.revision for script in walked)


def only_tables_of_models(name, kind, parents):
    return kind != "table" or not name.startswith("words")


def test_revisions_form_one_line():
    lines = list(ScriptDirectory.from_config(_config()).walk_revisions())
    assert [script.down_revision for script in lines] == [*revisions()[-2::-1], None]


def test_the_migrated_schema_is_the_models_schema(tmp_path, database_url):
    database = Database(find_place(tmp_path, database_url).url)
    migrate(database)
    with database.read() as connection:
        options = {"include_name": only_tables_of_models, "compare_type": True}
        context = MigrationContext.configure(connection, opts=options)
        assert compare_metadata(context, Base.metadata) == []
    database.close()


@pytest.mark.parametrize("start", revisions())
def test_a_store_of_any_age_is_carried_to_the_newest_with_what_it_holds(tmp_path, database_url, start):
    database = Database(find_place(tmp_path, database_url).url)
    migrate(database, to=start)
    with database.write() as connection:
        connection.execute(
            text("INSERT INTO settings (name, value, changed_at) VALUES ('line', '0.4', :at)"),
            {"at": "2026-01-02 03:04:05"},
        )
    database.close()
    store = open_store(tmp_path, database_url)
    assert store.settings.get("line") == 0.4
    with store.database.read() as connection:
        assert MigrationContext.configure(connection).get_current_revision() == newest()
    store.close()


def test_a_store_of_a_newer_tool_is_refused_untouched(tmp_path, database_url):
    store = open_store(tmp_path, database_url)
    with store.database.write() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    store.close()
    with pytest.raises(TruelobeError) as said:
        open_store(tmp_path, database_url)
    assert said.value.message.code == "store-newer"


def test_times_keep_their_zone_and_foreign_keys_hold(tmp_path, database_url):
    from datetime import UTC, datetime, timedelta, timezone

    store = open_store(tmp_path, database_url)
    draft = store.drafts.start("inspection", {})
    assert draft.started_at.tzinfo is UTC
    assert abs(draft.started_at - datetime.now(timezone(timedelta(hours=-5)))) < timedelta(minutes=1)
    with pytest.raises(Exception, match=r"(?i)foreign key"), store.database.write() as connection:
        connection.execute(text("INSERT INTO tags (inspection_id, tag) VALUES (99, 'x')"))
    with pytest.raises(Exception, match="has a zone"), store.database.write() as connection:
        connection.execute(insert(InspectionRow).values(uid="x", kept_at=datetime(2026, 1, 1)))
    store.close()


def test_sqlite_waits_for_the_disk_and_writes_ahead(tmp_path):
    store = open_store(tmp_path)
    with store.database.read() as connection:

        def asked(name):
            return connection.exec_driver_sql(f"PRAGMA {name}").scalar()

        # https://www.sqlite.org/pragma.html: synchronous 2 is FULL
        assert (asked("journal_mode"), asked("synchronous"), asked("foreign_keys")) == ("wal", 2, 1)
        assert asked("busy_timeout") == 30_000
    store.close()


def test_a_gallery_of_the_first_schema_is_carried_to_the_newest_whole(tmp_path, database_url):
    """The file was written by revision 0001 and never changes; a revision that loses something fails here."""
    restore(Path(__file__).parent / "gallery_of_revision_0001.zip", tmp_path, database_url)
    store = open_store(tmp_path, database_url)
    assert gallery.check(store).clean
    (uid,) = gallery.uids(store, gallery.Query(words="old shoulder", colours=("red",), tag="drill", defect="scar"))
    plate = store.inspections.get(uid)
    assert (plate.title, plate.grade, plate.peppers[0].grade) == ("Old plate", "first", "larger")
    assert [pepper.diameter_mm for pepper in plate.peppers] == [80.0, 70.0]
    assert plate.hand_facts[0].facts == {"firm": True}
    assert store.inspections.undo(uid, plate.version).title == "First plate"
    assert [wall.plates for wall in gallery.walls(store)] == [1]
    assert gallery.saved_searches(store) == {"Reds": gallery.Query(colours=("red",))}
    (draft,) = store.drafts.all()
    assert store.drafts.upload(draft.uploads[0].sha256).read_bytes() == b"abc"
    assert store.prints.get(7).across_mm == 100.4
    assert store.rules.get("House").body == {"limit": 0.15}
    assert (store.settings.get("line"), store.references.get("fall").body) == (0.4, {"red": [40, 60, 40]})
    assert gallery.count(store, gallery.Query(measured=False)) == 1
    store.close()
