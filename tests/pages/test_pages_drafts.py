"""A draft's body: corrections taken back and done again, and what a measurement depends on."""

import threading

import pytest

from truelobe.messages import TruelobeError
from truelobe.pages import drafts
from truelobe.request import Correction
from truelobe.store import Print, open_store

REMOVE = Correction("remove", (10.0, 20.0))
COLOUR = Correction("colour", (30.0, 40.0), word="red")


@pytest.fixture
def store(tmp_path):
    store = open_store(tmp_path / "home", f"sqlite:///{tmp_path / 'truelobe.db'}")
    yield store
    store.close()


def test_undo_and_redo_walk_the_corrections():
    body = drafts.empty_body()
    drafts.correct(body, REMOVE)
    drafts.correct(body, COLOUR)
    drafts.undo(body)
    assert [c["kind"] for c in body["corrections"]] == ["remove"]
    drafts.redo(body)
    assert [c["kind"] for c in body["corrections"]] == ["remove", "colour"]
    drafts.undo(body)
    drafts.undo(body)
    drafts.undo(body)  # nothing left to take back: nothing happens
    assert body["corrections"] == []


def test_a_new_correction_forgets_what_was_taken_back():
    body = drafts.empty_body()
    drafts.correct(body, REMOVE)
    drafts.undo(body)
    drafts.correct(body, COLOUR)
    drafts.redo(body)
    assert [c["kind"] for c in body["corrections"]] == ["colour"]


def test_corrections_survive_the_store_and_reach_the_request(store):
    uid = store.drafts.start(drafts.KIND, drafts.empty_body()).uid
    drafts.change(store, uid, lambda body: drafts.correct(body, COLOUR))
    assert drafts.request_for(store.drafts.get(uid).body, store).corrections == (COLOUR,)


def test_a_measurement_is_asked_anew_when_anything_it_depends_on_changes(store):
    body = drafts.empty_body()
    asked = {drafts.question(body, drafts.request_for(body, store))}
    drafts.correct(body, REMOVE)
    asked.add(drafts.question(body, drafts.request_for(body, store)))
    body["settings"] = body["settings"] | {"card_place": "plate"}
    asked.add(drafts.question(body, drafts.request_for(body, store)))
    store.prints.put(Print(12, "TL1", 179.1, 129.8, 0.3))
    asked.add(drafts.question(body, drafts.request_for(body, store)))
    store.settings.put("level", 0.9)
    asked.add(drafts.question(body, drafts.request_for(body, store)))
    assert len(asked) == 5
    assert drafts.question(body, drafts.request_for(body, store)) in asked


def test_two_windows_that_write_at_once_both_count(store):
    uid = store.drafts.start(drafts.KIND, drafts.empty_body()).uid

    def add(number):
        drafts.change(
            store, uid, lambda body: drafts.correct(body, Correction("colour", (number, 0.0), word="red"))
        )

    writers = [threading.Thread(target=add, args=(float(n),)) for n in range(6)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert {c["at"][0] for c in store.drafts.get(uid).body["corrections"]} == {0, 1, 2, 3, 4, 5}


def test_a_draft_that_is_gone_is_named_as_such(store):
    with pytest.raises(TruelobeError) as caught:
        drafts.change(store, "0" * 32, drafts.undo)
    assert caught.value.message.code == "not-found"
