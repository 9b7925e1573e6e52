"""Keeping, editing, undoing and removing plates; drafts; what is set up once."""

import pytest
from tests.store import plates

from truelobe import schema
from truelobe.messages import TruelobeError
from truelobe.store import Defect, Grade, NewInspection, Print, Store, crop_box, open_store, prepare_photo


def keep(store: Store, **fields):
    doc = plates.document([plates.pepper(1, "red", 80.0, 90.0, 0.1), plates.pepper(2, "red", 70.0, None, 0.2)])
    schema.check(doc)
    prepared = prepare_photo(plates.photo(1), crop_box(doc), name="plate.jpg")
    return store.inspections.keep(NewInspection((prepared,), doc, "Fox", "Red plate", **fields)), doc


def test_a_kept_plate_comes_back_with_its_document_unchanged(store):
    kept, doc = keep(store, tags=("shoulder",), hand_facts={"firm": True}, defects=(Defect("scar", 1),))
    assert store.inspections.document(kept.uid) == doc
    assert [pepper.diameter_mm for pepper in kept.peppers] == [80.0, 70.0]
    assert kept.peppers[1].length_mm is None
    assert (kept.tags, kept.defects) == (("shoulder",), (Defect("scar", 1),))
    assert kept.hand_facts[0].facts == {"firm": True}
    assert kept.version == 1
    assert kept.status == "ok"


def test_a_plate_without_measurement_reads_not_measured(store):
    kept = store.inspections.keep(NewInspection((prepare_photo(plates.photo(2)),)))
    refused = store.inspections.keep(
        NewInspection((prepare_photo(plates.photo(3)),), plates.document(status="refused"))
    )
    assert kept.status == refused.status == "not measured"
    assert store.inspections.document(kept.uid) is None
    assert store.inspections.document(refused.uid)["status"] == "refused"


def test_the_second_of_two_editors_is_told_and_nothing_is_overwritten(store):
    kept, _ = keep(store)
    store.inspections.edit(kept.uid, kept.version, "Owl", title="First")
    with pytest.raises(TruelobeError) as said:
        store.inspections.edit(kept.uid, kept.version, "Hare", title="Second")
    assert said.value.message.code == "changed-meanwhile"
    assert store.inspections.get(kept.uid).title == "First"


def test_undo_goes_back_step_by_step_through_every_kind_of_change(store):
    kept, _ = keep(store)
    uid, shelf = kept.uid, store.inspections
    states = [shelf.record(uid).state]
    shelf.edit(uid, 1, "Owl", title="Other", tags=["b", "a", "a"], example=True)
    states.append(shelf.record(uid).state)
    shelf.set_grade(uid, Grade("meets the measured requirement", "U.S. standard 2005", {1: "larger"}))
    states.append(shelf.record(uid).state)
    shelf.add_hand_facts(uid, {"decay": True}, "Owl", defects=[Defect("decay", 2)])
    states.append(shelf.record(uid).state)
    shelf.measured_again(uid, plates.document([plates.pepper(1, "red", 81.0, 91.0, 0.1)]))
    states.append(shelf.record(uid).state)
    shelf.bin(uid, 5)
    for expected in reversed(states):
        now = shelf.undo(uid, shelf.get(uid).version)
        assert shelf.record(uid).state == expected
    assert now.peppers[0].diameter_mm == 80.0
    with pytest.raises(TruelobeError, match="no change"):
        shelf.undo(uid, now.version)
    assert [change.action for change in shelf.history(uid)].count("undone") == len(states)


def test_measuring_again_keeps_both(store):
    kept, doc = keep(store)
    newer = plates.document([plates.pepper(1, "red", 81.0, 91.0, 0.1)])
    again = store.inspections.measured_again(kept.uid, newer)
    assert [measurement.current for measurement in again.measurements] == [False, True]
    assert store.inspections.document(kept.uid, again.measurements[0].uid) == doc
    assert store.inspections.document(kept.uid) == newer


def test_removing_a_plate_removes_only_photos_nobody_else_holds(store):
    first, _ = keep(store)
    second, _ = keep(store)
    assert first.photos[0].sha256 == second.photos[0].sha256
    store.inspections.remove([first.uid])
    assert store.photos.intact(second.photos[0].sha256)
    assert store.shelf.has(second.photos[0].thumbnail_sha256)
    store.inspections.remove([second.uid])
    assert list(store.shelf.names()) == [] == store.shelf.marked()


def test_a_draft_survives_closing_and_says_when_another_window_was_first(tmp_path):
    store = open_store(tmp_path)
    draft = store.drafts.start("inspection", {"step": 1}, uploads=[("a.jpg", b"abc"), ("b.jpg", b"abc")])
    store.drafts.write(draft.uid, draft.version, {"step": 2})
    store.close()
    again = open_store(tmp_path)
    found = again.drafts.get(draft.uid)
    assert found.body == {"step": 2}
    assert [upload.name for upload in found.uploads] == ["a.jpg", "b.jpg"]
    assert again.drafts.upload(found.uploads[0].sha256).read_bytes() == b"abc"
    with pytest.raises(TruelobeError) as said:
        again.drafts.write(draft.uid, draft.version, {"step": 3})
    assert said.value.message.code == "changed-meanwhile"
    other = again.drafts.start("inspection", {})
    assert again.drafts.versions("inspection") == {other.uid: 1, draft.uid: 2}
    assert again.drafts.versions("class") == {}
    assert again.drafts.some([draft.uid, "gone"]) == (found,)
    again.drafts.finish(other.uid)
    again.drafts.finish(draft.uid)
    assert again.drafts.all() == again.drafts.some([draft.uid]) == ()
    assert list(again.uploads.names()) == []


def test_what_is_set_up_once_is_replaced_by_key(store):
    store.prints.put(Print(7, "A", 100.4, 99.8, 0.1))
    store.prints.put(Print(7, "A", 100.5, 99.9, 0.1))
    assert store.prints.get(7).across_mm == 100.5
    assert store.prints.get(8) is None
    store.settings.put("line", 0.5)
    assert store.settings.get("line") == 0.5
    assert store.settings.get("other", 1) == 1
    store.references.put("fall", {"red": [40, 60, 40]})
    assert store.references.get("fall").body == {"red": [40, 60, 40]}


def test_an_edition_of_rules_is_never_rewritten(store):
    store.rules.put("House", "1", {"limit": 0.15})
    store.rules.put("House", "1", {"limit": 0.15})
    store.rules.put("House", "2", {"limit": 0.2})
    assert store.rules.get("House").edition == "2"
    assert store.rules.get("House", "1").body == {"limit": 0.15}
    with pytest.raises(TruelobeError) as said:
        store.rules.put("House", "1", {"limit": 0.1})
    assert said.value.message.code == "edition-taken"


def test_a_folder_that_cannot_be_made_is_said_plainly(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(TruelobeError) as said:
        open_store(tmp_path / "file" / "home")
    assert said.value.message.code == "folder-read-only"
