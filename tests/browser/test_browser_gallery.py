"""A coach's path through the gallery in a real Chromium, on a phone and on a desk."""

import hashlib
import re

import pytest
from PIL import Image
from playwright.sync_api import expect
from tests.browser.looking import PATIENCE_MS
from tests.browser.serving import ROOT, serving
from tests.pages import example_plate

from truelobe import gallery
from truelobe.report.overlay import as_jpeg
from truelobe.store import NewInspection, crop_box, open_store, prepare_photo

pytestmark = pytest.mark.browser


@pytest.fixture
def two_plates(tmp_path):
    """A running app on a gallery of two plates: its address and its folder."""
    home = tmp_path / "home"
    store = open_store(home)
    for number, title in enumerate(("Warm-up plate", "Second plate")):
        data = as_jpeg(Image.fromarray(example_plate.picture()), quality=90 - number)
        document = example_plate.document()
        document["photo"]["sha256"] = hashlib.sha256(data).hexdigest()
        prepared = prepare_photo(data, crop_box(document), name="plate.jpg")
        store.inspections.keep(NewInspection((prepared,), document, "Wren", title))
    store.close()
    words = ["-m", "streamlit", "run", "app.py", "--server.headless=true", "--server.port"]
    with serving(words, home=home, folder=tmp_path, cwd=ROOT) as address:
        yield address, home


@pytest.mark.parametrize("width", [360, 1440])
def test_find_mark_compare_export_delete_and_bring_back(two_plates, window, tmp_path, width):
    address, home = two_plates
    page = window(width)
    page.goto(f"{address}/gallery")
    page.get_by_text("2 plates.").wait_for()
    # find
    page.get_by_label("Words").fill("warm")
    page.get_by_label("Words").press("Enter")
    opens = page.locator("button[kind]").filter(has_text=re.compile("^Open$"))
    expect(opens).to_have_count(1, timeout=PATIENCE_MS)
    # open and mark
    opens.click()
    page.get_by_role("heading", name="Pepper 1, red").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.get_by_text("Edit, mark as an example").click()
    page.get_by_label("What it teaches").fill("Look at the shoulder first.")
    page.get_by_text("Graded example").click()
    page.get_by_role("button", name="Save", exact=True).click()
    page.locator("p.tl-next", has_text="Look at the shoulder first.").wait_for()
    # delete and bring back
    page.get_by_role("button", name="Delete", exact=True).click()
    page.get_by_text("This plate is in the bin.").wait_for()
    page.get_by_role("button", name="Put back").click()
    page.get_by_text("This plate is in the bin.").wait_for(state="detached")
    # compare
    page.get_by_role("button", name="Back to the gallery").click()
    page.get_by_label("Words").wait_for()
    page.get_by_label("Words").fill("plate")
    page.get_by_label("Words").press("Enter")
    page.get_by_text("2 plates.").wait_for()
    for number in (0, 1):
        page.locator('[data-testid="stCheckbox"]', has_text="Choose").nth(number).click()
    page.get_by_role("radio", name="Compare").click()
    page.get_by_text("The same scale for all").wait_for()
    page.locator('img[src^="data:image/webp"]').nth(1).wait_for()
    assert page.locator('img[src^="data:image/webp"]').count() == 2
    # export
    page.get_by_role("radio", name="Move and keep safe").click()
    with page.expect_download() as download:
        page.get_by_role("button", name="Bundle for another gallery").click()
    bundle = tmp_path / "bundle.zip"
    download.value.save_as(bundle)
    other = open_store(tmp_path / "other")
    assert gallery.import_bundle(other, bundle).new == 2
    other.close()
    store = open_store(home)
    marked = gallery.find(store, gallery.Query(examples=True)).cards
    assert [card.teaching_note for card in marked] == ["Look at the shoulder first."]
    assert gallery.in_bin(store) == []
    store.close()
