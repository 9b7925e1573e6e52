"""Training the eye on the coach's machine, in a real Chromium: a block left in the middle, the eye, the team.

A whole block at phone width is in `test_browser_train_phone`.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser
ROOT = Path(__file__).parents[2]
PICTURES = {p["id"]: p for p in json.loads((ROOT / "sample_images/drills/drills.json").read_text())["pictures"]}
OVERLAY_WORD = "hatched"


def _keep_picture(page, name):
    folder = os.environ.get("TRUELOBE_SCREENSHOTS")
    if folder:
        page.wait_for_timeout(600)
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


def _answer(page, value):
    field = page.get_by_label("How many percent", exact=False)
    field.fill(str(value))
    field.press("Tab")
    page.get_by_role("button", name="Answer", exact=True).click()
    page.get_by_role("button", name="Next", exact=True).wait_for()


def test_a_block_is_answered_and_left_and_truth_comes_after_the_answer(fresh_app, window):
    page = window(360, height=780, touch=True)
    heard = []
    page.on("websocket", lambda socket: socket.on("framereceived", lambda data: heard.append(data)))
    page.on("response", lambda answer: heard.append(answer.url))
    page.goto(f"{fresh_app}/train_eye?part=Drill")
    page.get_by_label("Nickname").fill("Juniper")
    page.get_by_role("button", name="Add and begin").click()
    page.get_by_role("button", name="Begin", exact=True).click()
    page.get_by_text("Picture 1 of 10").wait_for()
    page.get_by_role("img", name="One pepper").wait_for()
    _keep_picture(page, "asked")
    before = _texts(heard)
    # Neither a picture's name, nor a figure of its truth, nor the overlay may be there yet.
    assert not [name for name in PICTURES if name in before]
    assert OVERLAY_WORD not in before
    assert "curve" not in before
    assert "It is " not in before
    # One photo was fetched, the bare one; the tab's icon is a PNG.
    urls = {h for h in heard if isinstance(h, str) and h.startswith(f"{fresh_app}/media/")}
    assert len([url for url in urls if not url.endswith(".png")]) == 1
    for k in range(2):
        _answer(page, 10 + 5 * k)
        page.get_by_text("You said").wait_for()
        if k == 0:
            _keep_picture(page, "told")
        page.get_by_role("button", name="Next", exact=True).click()
        page.get_by_text(f"Picture {k + 2} of 10").wait_for()
    address = page.url
    page.close()
    again = window(360, height=780, touch=True)
    again.goto(address)
    again.get_by_text("Picture 3 of 10").wait_for()
    _answer(again, 20)
    again.get_by_role("button", name="Stop here").click()
    again.get_by_text("My eye", exact=True).click()
    again.get_by_text("You are off by").wait_for()
    again.locator("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg").first.wait_for()
    _keep_picture(again, "result")
    assert again.evaluate("document.documentElement.scrollWidth") <= 360
    again.goto(f"{fresh_app}/train_eye?part=Team")
    again.get_by_role("button", name="Open the drill that fits").click()  # one click, and its picture stands there
    again.get_by_text("Picture 4 of 10").wait_for()
    _keep_picture(again, "team-drill")
    again.goto(f"{fresh_app}/train_eye")
    again.get_by_text("Two rules, one pepper").wait_for()
    _keep_picture(again, "lesson")


def _texts(heard):
    return "\n".join(h if isinstance(h, str) else h.decode("utf-8", "replace") for h in heard)
