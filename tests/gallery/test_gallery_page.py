"""The page as a script run: every view draws, words go in, changes come out, and trouble is said plainly."""

import json

import pytest
from streamlit.testing.v1 import AppTest
from tests.store import plates

from truelobe import gallery


def _page():
    from truelobe.pages import gallery

    gallery.show()


@pytest.fixture
def opened(new_store, monkeypatch):
    """A store, and a way to draw the page on it: ``draw(plate="...")``."""
    store = new_store()
    monkeypatch.setattr("truelobe.pages.gallery_store.opened_store", lambda: store)

    def draw(**address):
        test = AppTest.from_function(_page, default_timeout=60)
        for name, value in address.items():
            test.query_params[name] = value
        test.run()
        assert not test.exception
        return test

    return store, draw


def words(test):
    """Everything the page says; numbers, fractions and units are held together there."""
    said = [str(one.value) for one in (*test.markdown, *test.title, *test.text, *test.caption)]
    said += [str(one.proto.body) for one in test.get("html")]
    return " ".join(said).replace("\u00a0", " ").replace("\u2011", "-")


def press(test, label):
    next(one for one in test.button if one.label == label).click()
    test.run()
    assert not test.exception
    return test


def field(test, kind, label):
    return next(one for one in getattr(test, kind) if one.label == label)


def two_plates(store, keep):
    first = keep(store, plates.document([plates.pepper(1, "red", 80, 90, 0.1)]), 1, title="Red one")
    second = keep(store, plates.document([plates.pepper(1, "green", 70, None, 0.3)]), 2, title="Green one")
    return first, second


def test_an_empty_gallery_teaches(opened):
    _, draw = opened
    test = draw()
    assert "Every plate you keep stands here" in words(test)
    assert [one.label for one in test.button] == ["Load the sample gallery"]


def test_words_narrow_the_cards(opened, keep):
    store, draw = opened
    two_plates(store, keep)
    test = draw()
    assert "Red one" in words(test)
    field(test, "text_input", "Words").set_value("green").run()
    assert "Red one" not in words(test)
    assert "Green one" in words(test)
    assert "2-3/4 in" in words(test)
    assert "not seen" in words(test)


def test_a_plate_is_edited_undone_deleted_and_put_back(opened, keep):
    store, draw = opened
    plate, _ = two_plates(store, keep)
    test = draw(plate=plate.uid)
    assert "Pepper 1, red" in words(test)
    field(test, "text_input", "Title").set_value("Shoulder")
    field(test, "toggle", "Graded example").set_value(True)
    field(test, "text_area", "What it teaches").set_value("Look at the shoulder.")
    field(test, "text_input", "Your nickname").set_value("Owl")
    press(test, "Save")
    now = store.inspections.get(plate.uid)
    assert (now.title, now.example, now.teaching_note) == ("Shoulder", True, "Look at the shoulder.")
    press(test, "Undo the last change")
    assert store.inspections.get(plate.uid).title == "Red one"
    press(test, "Delete")
    assert gallery.in_bin(store) == [plate.uid]
    press(test, "Put back")
    assert gallery.in_bin(store) == []
    assert "by Owl" in words(test)


def test_the_second_editor_is_told_and_overwrites_nothing(opened, keep):
    store, draw = opened
    plate, _ = two_plates(store, keep)
    test = draw(plate=plate.uid)
    field(test, "text_input", "Title").set_value("Mine")
    store.inspections.edit(plate.uid, plate.version, "Fox", title="Theirs", notes="Their notes")
    press(test, "Save")
    assert "Your change was not written" in words(test)
    assert "Fox changed this plate while it was open here: notes, title." in words(test)
    now = store.inspections.get(plate.uid)
    assert (now.title, now.notes) == ("Theirs", "Their notes")
    assert field(test, "text_input", "Title").value == "Mine"
    press(test, "Save")  # told once, it is meant; fields that were not touched stay theirs
    now = store.inspections.get(plate.uid)
    assert (now.title, now.notes) == ("Mine", "Their notes")
    assert store.inspections.undo(plate.uid, now.version).title == "Theirs"


@pytest.mark.parametrize("label", ["Delete", "Undo the last change"])
def test_a_button_acts_only_on_what_its_presser_saw(opened, keep, label):
    store, draw = opened
    plate, _ = two_plates(store, keep)
    test = draw(plate=plate.uid)
    store.inspections.edit(plate.uid, plate.version, title="Theirs")
    press(test, label)
    assert "Somebody changed this plate" in words(test)
    assert store.inspections.get(plate.uid).title == "Theirs"
    assert gallery.in_bin(store) == []


def test_walls_compare_and_bin_draw(opened, keep):
    store, draw = opened
    first, second = two_plates(store, keep)
    wall = gallery.make_wall(store, "Shoulders", "Where green hides")
    gallery.hang(store, wall.uid, wall.version, [first.uid, second.uid])
    test = draw(view="Walls")
    assert "Where green hides" in words(test)
    press(test, "Show this wall on the large screen")
    (shown,) = test.get("bidi_component")
    slides = json.loads(shown.proto.json)["slides"]
    assert [slide["title"] for slide in slides] == ["Red one", "Green one"]
    test = draw(view="Compare")
    assert "Tick Choose" in words(test)
    test.session_state["gallery_chosen"] = [first.uid, second.uid]
    test.run()
    assert "The same scale for all" in words(test)
    assert words(test).count("data:image/webp") == 2
    store.inspections.bin(first.uid, 1)
    test = draw(view="Bin")
    assert "Red one" in words(test)
    field(test, "checkbox", "Delete for good. This can't be undone.").check()
    test.run()
    press(test, "Empty the bin")
    assert gallery.uids(store, gallery.Query()) == [second.uid]


def test_a_full_bin_is_turned_page_by_page(opened, keep, monkeypatch):
    store, draw = opened
    monkeypatch.setattr("truelobe.pages.gallery_cards.A_PAGE", 1)
    for plate in two_plates(store, keep):
        store.inspections.bin(plate.uid, plate.version)
    test = draw(view="Bin")
    assert "Green one" in words(test)
    press(test, "Next page")
    assert "Red one" in words(test)
    assert "Green one" not in words(test)
    assert "First page" in [one.label for one in test.button]


def test_moving_and_care_draw(opened, keep):
    store, draw = opened
    two_plates(store, keep)
    test = draw(view="Move and keep safe")
    press(test, "Check everything")
    assert "Everything is in order" in " ".join(one.value for one in test.success)


def test_a_plate_that_is_gone_is_said_plainly(opened):
    _, draw = opened
    assert "This plate is not in the gallery." in words(draw(plate="0" * 32))


def _looking():
    from truelobe.pages import gallery

    gallery.gallery_page(editing=False)


def test_the_teams_own_page_shows_and_changes_nothing(opened, keep):
    store, _ = opened
    plate, _ = two_plates(store, keep)
    for address in ({}, {"plate": plate.uid}, {"view": "Bin"}, {"view": "Move and keep safe"}, {"view": "Walls"}):
        test = AppTest.from_function(_looking, default_timeout=60)
        for name, value in address.items():
            test.query_params[name] = value
        test.run()
        assert not test.exception
        looking = {"Open", "Back to the gallery", "First page", "Next page", "Show on the large screen"}
        assert {one.label for one in test.button} <= looking
