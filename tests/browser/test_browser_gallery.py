"""A plate's whole way in a real Chromium, on a phone and on a desk: from being measured to the bin and back."""

import csv
import re

import pytest
from playwright.sync_api import expect
from tests.browser.looking import PATIENCE_MS, serious, settled, sideways
from tests.browser.serving import serving

from truelobe import gallery
from truelobe.store import open_store

pytestmark = pytest.mark.browser
expect.set_options(timeout=PATIENCE_MS)
TOGETHER = "plate"


@pytest.fixture
def served(tmp_path):
    """A running app on an empty gallery: its address and its folder."""
    home, start = tmp_path / "home", "import sys; from truelobe.cli import main; sys.exit(main())"
    with serving(["-P", "-c", start, "open", "--no-browser", "--port"], home=home, folder=tmp_path) as address:
        yield address, home


def calm(page):
    """Nothing serious from the accessibility checker, nothing wider than the window."""
    settled(page)
    assert serious(page) == []
    assert sideways(page) <= 0


def pressed(page, name):
    page.get_by_role("button", name=name, exact=True).click()


def keep(page, title):
    page.wait_for_selector("text=Pepper by pepper")
    page.wait_for_selector("[role=progressbar]", state="detached")
    page.get_by_label("Title in the gallery").fill(title)
    page.get_by_label("Your nickname").fill("Wren")
    page.get_by_label("Your nickname").press("Tab")
    settled(page)
    expect(page.get_by_label("Your nickname")).to_have_value("Wren")
    pressed(page, "Keep to gallery")
    page.get_by_text("Its photo is cut to plate and card.").wait_for()


def find(page, words, count):
    page.get_by_label("Words").fill(words)
    page.get_by_label("Words").press("Enter")
    opens = page.locator("button[kind]").filter(has_text=re.compile("^Open$"))
    expect(opens).to_have_count(count)
    settled(page)
    return opens


def mark(page, note):
    page.get_by_text("Edit, mark as an example").click()
    page.get_by_label("What it teaches").fill(note)
    page.get_by_text("Graded example").click()
    pressed(page, "Save")
    page.locator("p.tl-next", has_text=note).wait_for()


def show_large(page, note):
    """The picture fills the window; a key hides the outlines; Escape ends it."""
    pressed(page, "Show on the large screen")
    screen = page.get_by_role("dialog")
    screen.get_by_text(note).wait_for()
    picture = screen.locator("img").bounding_box()
    window = page.viewport_size
    assert picture["width"] > 0.9 * window["width"] or picture["height"] > 0.6 * window["height"]
    outlined = screen.locator("img").get_attribute("src")
    page.keyboard.press("m")
    assert screen.locator("img").get_attribute("src") != outlined
    assert serious(page) == []
    page.keyboard.press("Escape")
    screen.wait_for(state="detached")


def delete_and_put_back(page):
    pressed(page, "Delete")
    page.get_by_text("This plate is in the bin.").wait_for()
    pressed(page, "Put back")
    page.get_by_text("This plate is in the bin.").wait_for(state="detached")


def compare(page):
    """Both plates stand side by side; the drawn widths are the true ones at one scale."""
    pressed(page, "Back to the gallery")
    find(page, TOGETHER, 2)
    for number in (0, 1):
        page.locator('[data-testid="stCheckbox"]', has_text="Choose").nth(number).click()
        settled(page)
    page.get_by_role("radio", name="Compare").click()
    page.get_by_text("The same scale for all").wait_for()
    pictures = page.locator('img[src^="data:image/webp"]')
    expect(pictures).to_have_count(2)
    calm(page)


def export(page, folder):
    page.get_by_role("radio", name="Move and keep safe").click()
    page.get_by_text("The 2 chosen").click()
    settled(page)
    taken = {}
    for name in ("Bundle for another gallery", "Table (CSV)", "List (PDF)"):
        with page.expect_download() as download:
            pressed(page, name)
        taken[name] = folder / download.value.suggested_filename
        download.value.save_as(taken[name])
    return taken


def test_a_plate_from_the_camera_to_the_bin_and_back_on_phone_and_desk(window, served, tmp_path):
    address, home = served
    phone, desk = window(360), window(1440, scheme="dark")
    for number, page in ((1, phone), (2, desk)):  # both are measured at the same time
        page.goto(address)
        page.get_by_role("button", name=f"Sample plate {number}", exact=True).click()
    for name, page in (("Phone", phone), ("Desk", desk)):
        keep(page, f"{name} {TOGETHER}")
    for name, page in (("Phone", phone), ("Desk", desk)):
        note = f"Seen on the {name.lower()} first."
        page.goto(f"{address}/gallery")
        page.get_by_text("2 plates.").wait_for()
        calm(page)
        find(page, name, 1).click()
        page.get_by_role("heading", name=re.compile("^Pepper 1, ")).wait_for()
        mark(page, note)
        calm(page)
        show_large(page, note)
        delete_and_put_back(page)
        compare(page)
        taken = export(page, tmp_path)
        assert taken["List (PDF)"].read_bytes().startswith(b"%PDF-")
        with taken["Table (CSV)"].open(encoding="utf-8-sig", newline="") as file:
            assert {row["title"] for row in csv.DictReader(file)} == {"Phone plate", "Desk plate"}
        other = open_store(tmp_path / name)
        assert gallery.import_bundle(other, taken["Bundle for another gallery"]).new == 2
        other.close()
    store = open_store(home)
    marked = gallery.find(store, gallery.Query(examples=True, who="Wren")).cards
    assert sorted(card.teaching_note for card in marked) == ["Seen on the desk first.", "Seen on the phone first."]
    assert gallery.in_bin(store) == []
    assert gallery.check(store).clean
    store.close()
