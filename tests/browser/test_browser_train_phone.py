"""Training the eye on a student's own phone, through the team's server, in a real Chromium at phone width."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from tests.browser.looking import serious
from tests.judging.planted import keep_class
from tests.judging.team_process import team_server

from truelobe.judging.roster import Roster
from truelobe.judging.sessions import Sessions
from truelobe.practice.blocks import Blocks
from truelobe.store import open_store

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
PICTURES = json.loads((ROOT / "sample_images/drills/drills.json").read_text())["pictures"]


def _keep_picture(page, name):
    folder = os.environ.get("TRUELOBE_SCREENSHOTS")
    if folder:
        page.wait_for_timeout(600)
        page.screenshot(path=f"{folder}/phone-{name}.png", full_page=True)


def _seen(page):
    """Record every request that was answered whole; one that the page gave up on has nothing to read."""
    heard = []
    page.on("requestfinished", lambda request: heard.append(request))
    return heard


def _answer(page, value):
    page.get_by_label("Percent").fill(str(value))
    page.get_by_role("button", name="Answer", exact=True).tap()
    page.get_by_text("You said").wait_for()


def _place_a_class(store, student, page, found):
    """A class that the coach opens goes before whatever the phone was busy with, and leaves it afterwards."""
    sessions = Sessions(store)
    session = sessions.open_led(keep_class(store))
    page.get_by_text("The clock starts for everyone at once").wait_for()
    sessions.start(session.uid)
    page.locator(".tl-clock").wait_for()
    found["placing"] = serious(page)
    sessions.tap(session.uid, student, "from elsewhere", "2413", submit=True)
    sessions.show_critique(session.uid, 4)
    page.get_by_text("Official placing").wait_for()
    _keep_picture(page, "critique")
    found["critique"] = serious(page)
    sessions.close(session.uid)
    page.get_by_role("heading", name="Measure by hand").wait_for()


def test_a_block_on_a_phone_is_left_and_finished_and_its_truth_comes_after_the_answer(window, tmp_path):
    store = open_store(tmp_path)
    student, word = Roster(store).add("Juniper")
    with team_server(tmp_path) as port:
        page = window(360, height=740, touch=True)
        heard = _seen(page)
        page.goto(f"http://127.0.0.1:{port}/")
        page.get_by_role("button", name="Juniper").tap()
        page.get_by_label("The word on your slip").fill(word)
        page.get_by_role("button", name="Come in").tap()
        page.get_by_role("button", name="Train the eye").tap()
        page.get_by_role("button", name="Begin", exact=True).tap()
        page.get_by_text("Picture 1 of 10").wait_for()
        page.get_by_role("img", name="One pepper").wait_for()
        page.wait_for_load_state("networkidle")
        _keep_picture(page, "asked")
        found = {"asked": serious(page)}
        (block,) = [r.response().json()["block"] for r in heard if r.url.endswith("/api/drills/open")]
        shown = Blocks(store).get(block).showing
        received = "\n".join(r.response().text() for r in heard if r.resource_type == "fetch")
        # Neither the picture's name nor its truth, nor any other picture's, may be there before the answer.
        assert "drill/" in received
        assert not [p["id"] for p in PICTURES if p["id"] in received]
        assert not [figure for figure in (f"{shown.percent():.1f}", "It is", "curve") if figure in received]
        assert not [r.url for r in heard if "/told" in r.url]
        for k in range(4):
            _answer(page, 10 + 5 * k)
            if k == 0:
                _keep_picture(page, "told")
                found["told"] = serious(page)
            page.get_by_role("button", name="Next", exact=True).tap()
            page.get_by_text(f"Picture {k + 2} of 10").wait_for()
        page.reload()  # left in the middle, and back in the same block
        page.get_by_text("Picture 5 of 10").wait_for()
        for k in range(4, 10):
            _answer(page, 10 + 5 * k)
            page.get_by_role("button", name="Next", exact=True).tap()
        page.get_by_text("10 pictures. All answers are kept.").wait_for()
        page.get_by_role("button", name="See my eye").tap()
        page.get_by_text("You are off by").wait_for()
        assert page.locator("svg.tl-plot circle").count() == 10 + 1  # ten answers, and the first ten as one step
        _keep_picture(page, "eye")
        found["eye"] = serious(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        page.get_by_role("button", name="Back").tap()
        for room, words in (
            ("lesson", "Two rules, one pepper"),
            ("gallery", "No plate to show"),
            ("hand", "No measured"),
        ):
            page.goto(f"http://127.0.0.1:{port}/#{room}")
            page.get_by_text(words).wait_for()
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            _keep_picture(page, room)
            found[room] = serious(page)
        _place_a_class(store, student.uid, page, found)
        assert found == {name: [] for name in found}
    assert [a.answer for a in Blocks(store).of(student.uid)] == [10.0 + 5 * k for k in range(10)]
    store.close()
