"""Reasons given in a real Chromium: said pair by pair, kept at once, held against the facts, still there later."""

from contextlib import contextmanager

import pytest
from tests.browser.looking import serious, settled, sideways
from tests.browser.serving import serving
from tests.judging.test_judging_reasons import placed

from truelobe.judging.removal import remove_student
from truelobe.judging.roster import Roster
from truelobe.store import open_store

pytestmark = pytest.mark.browser
START = "import sys; from truelobe.cli import main; sys.exit(main())"


@pytest.fixture
def practised(tmp_path):
    """The address of an app whose roster holds Robin, who has placed four plates 3-1-2-4."""
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    with opened(tmp_path) as store:
        placed(store, "3124")
    words = ["-P", "-c", START, "open", "--no-browser", "--port"]
    with serving(words, home=tmp_path / "home", folder=folder) as address:
        yield address


@contextmanager
def opened(tmp_path):
    store = open_store(tmp_path / "home")
    yield store
    store.close()


def say(page, label, words):
    page.get_by_label(label, exact=True).click()
    page.keyboard.type(words)
    page.get_by_role("option", name=words).wait_for()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    settled(page)


def choose_robin(page, address):
    page.goto(f"{address}/give_reasons")
    page.get_by_role("combobox", name="Who gives reasons?").click()
    page.get_by_role("option", name="Robin").click()
    page.get_by_role("heading", name="3 over 1").wait_for()
    settled(page)


def test_a_student_gives_reasons_on_a_phone_and_hears_what_the_facts_say(practised, window, tmp_path):
    page = window(360)
    choose_robin(page, practised)
    # Plate 1 is 84 mm across, plate 3 77 and plate 2 79, each a millimeter or less unsure.
    say(page, "Plate 3 is placed over 1 because it is", "larger across")
    say(page, "Plate 1 is placed over 2 because it is", "larger across")
    page.get_by_text("I place 1 over 2 because 1 is larger across.").wait_for()
    assert page.get_by_text("borne out").count() == 0
    page.get_by_role("button", name="Hold it against the facts").click()
    page.get_by_text("Plate 3 is larger across").wait_for()
    settled(page)
    said = page.inner_text("[data-testid=stMain]")
    assert "Plate 3 is larger across: the facts say it of the other plate." in said
    assert "Plate 1 is larger across: borne out." in said
    assert "Not said:" in said
    assert "Plate 2 is larger across" in said
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        settled(page)
        assert serious(page) == []
    assert sideways(page) == 0
    pictures = page.get_by_role("img", name="Plate ").all()
    assert [one.get_attribute("alt") for one in pictures] == ["Plate 3", "Plate 1", "Plate 2", "Plate 4"]
    page.screenshot(path=tmp_path / "held.png", full_page=True)

    again = window(1280)
    choose_robin(again, practised)
    again.get_by_text("Plate 1 is larger across").first.wait_for()
    say(again, "I grant that plate 4 is", "firmer")
    again.get_by_role("button", name="Hold it against the facts").wait_for()
    assert "borne out" not in again.inner_text("[data-testid=stMain]")

    # Taken off the roster in between: what is chosen then has no place to be kept, and the page says no more.
    with opened(tmp_path) as store:
        remove_student(store, Roster(store).all()[0].uid)
    again.get_by_label("I grant that plate 2 is", exact=True).click()
    again.keyboard.type("firmer")
    again.keyboard.press("Enter")
    again.get_by_role("link", name="Add nicknames").wait_for()
    assert again.locator("[data-testid=stException]").count() == 0
