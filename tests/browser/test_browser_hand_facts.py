"""Hand facts in a real Chromium at phone width: taps counted, the sheet exported and its page looked at."""

from __future__ import annotations

import textwrap
from contextlib import suppress

import numpy as np
import pypdfium2
import pytest
from playwright.sync_api import Error
from tests.browser.serving import ROOT, serving

pytestmark = pytest.mark.browser
# Only the part that asks and answers, on a plate measured beforehand: what is measured is another test's matter.
APP = """
    import streamlit as st
    from tests.grading.grading_plates import pepper, plate
    from truelobe.pages import hand_facts, style
    from truelobe.store import open_store

    style.apply()
    store = st.cache_resource(open_store)()
    if "draft" not in st.query_params:
        body = {"document": plate(*(pepper(n) for n in range(1, 6))), "hand_facts": {}, "settings": {}}
        st.query_params["draft"] = store.drafts.start("inspection", body, uploads=[("Plate 3.jpg", b"x")]).uid
    hand_facts.show(store, store.drafts.get(st.query_params["draft"]))
"""


@pytest.fixture
def address(tmp_path):
    """The address of the part, running alone."""
    script = tmp_path / "part.py"
    script.write_text(textwrap.dedent(APP))
    options = ["--server.address=127.0.0.1", "--server.headless=true", "--browser.gatherUsageStats=false"]
    words = ["-m", "streamlit", "run", script, *options, "--server.port"]
    with serving(words, home=tmp_path / "home", folder=tmp_path, path=(ROOT / "inspect", ROOT)) as found:
        yield found


class Finger:
    """Tap things by their words, and count."""

    def __init__(self, page):
        self.page, self.taps = page, 0

    def tap(self, role, name):
        target = self.page.get_by_role(role, name=name, exact=True).first
        target.scroll_into_view_if_needed()
        target.tap()
        self.taps += 1

    def tap_until(self, role, name, shown):
        """The page may be drawn anew just under the finger: a person taps again."""
        for _ in range(3):
            self.tap(role, name)
            with suppress(Error):
                return shown.first.wait_for(timeout=20_000)
        raise AssertionError(f"{name} was tapped three times in vain")

    def read(self, words):
        self.page.get_by_text(words).first.wait_for()


def test_a_sound_plate_takes_few_taps_four_faults_a_few_more_and_the_sheet_prints(address, window, tmp_path):
    page = window(360, touch=True, height=800)
    page.goto(address)
    finger = Finger(page)
    finger.read("The answer")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    finger.tap("button", "All looked at, nothing found")
    finger.read("Nothing found on numbers 1, 2, 3, 4 and 5")
    finger.tap("radio", "red")
    finger.read("All five meet the measured and recorded requirements of U.S. Fancy")
    assert finger.taps <= 6
    sound = finger.taps

    for number, fact, word, said in (
        (2, "Scars", "damage", "Number 2: scars: damage"),
        (3, "Firmness", "fairly firm", "Number 3: firmness: fairly firm"),
        (3, "Sunburn", "injury", "sunburn: injury"),
        (5, "Shape", "fairly well shaped", "Number 5: shape: fairly well shaped"),
    ):
        if page.get_by_role("radio", name=str(number), exact=True).first.get_attribute("aria-checked") != "true":
            finger.tap("radio", str(number))
        finger.tap_until("radio", fact, page.get_by_role("radio", name=word, exact=True))
        finger.tap_until("radio", word, page.get_by_text(said))
    assert finger.taps <= 18
    print(f"hand facts in a browser: {sound} taps for a sound plate of five, {finger.taps} with four faults")
    finger.read("Two meet the measured and recorded requirements of U.S. Fancy")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360

    page.reload()
    finger.read("Number 2: scars: damage")
    with page.expect_download() as download:
        page.get_by_role("button", name="Plate sheet (PDF)").tap()
    path = tmp_path / "sheet.pdf"
    download.value.save_as(path)
    assert download.value.suggested_filename.startswith("plate-")
    document = pypdfium2.PdfDocument(path)
    assert len(document) == 1
    text = " ".join(document[0].get_textpage().get_text_range().split())
    assert "Number 2: scars: damage." in text
    assert "Practice aid, not an inspection." in text
    # Something is printed in the upper, middle and lower third, and nothing runs off the edge.
    picture = np.asarray(document[0].render(scale=1).to_pil().convert("L")) < 128
    assert all(part.any() for part in np.array_split(picture[14:-14, 14:-14], 3))
    assert not picture[:, :14].any()
    assert not picture[:, -14:].any()
