"""The page "Train the eye" without a browser: what it asks, keeps and tells, and in which order."""

import pytest
from streamlit.testing.v1 import AppTest

from truelobe.judging.roster import Roster
from truelobe.practice.blocks import Blocks

APP = """
import streamlit as st
from truelobe.pages import train_eye
train_eye.show()
"""


@pytest.fixture
def page(new_store, monkeypatch):
    """Open a part of the page on a store that is ready."""
    store = new_store("sqlite")
    monkeypatch.setattr("truelobe.pages.train_eye._store", lambda: store)

    def opened(**asked):
        app = AppTest.from_string(APP, default_timeout=30)
        for name, value in asked.items():
            app.query_params[name] = value
        return app.run()

    opened.store = store
    return opened


def press(app, label):
    next(button for button in app.button if button.label == label).click()
    return app.run()


def test_a_block_is_begun_answered_and_told(page):
    student, _ = Roster(page.store).add("Juniper")
    app = press(page(part="Drill", student=student.uid), "Begin")
    assert not app.exception
    app.number_input[0].set_value(12)
    app = press(app, "Answer")
    assert not app.exception
    kept = Blocks(page.store).of(student.uid)
    assert [a.answer for a in kept] == [12.0]
    assert any("You said 12" in h.body for h in app.get("html"))
    app = press(app, "Next")
    assert not app.exception
    assert app.get("progress")


@pytest.mark.parametrize("kind", ["threshold", "size", "limit", "side"])
def test_every_drill_asks_and_tells(page, kind):
    student, _ = Roster(page.store).add("Juniper")
    app = page(part="Drill", student=student.uid, kind=kind)
    app = press(app, "Begin")
    assert not app.exception
    if kind == "size":
        for box in [b for b in app.selectbox if b.label.startswith("How")]:
            box.select_index(16)
        app = press(app, "Answer")
    elif kind == "side":
        app.number_input[0].set_value(40)
        app = press(app, "Answer")
    else:
        app = press(app, "Over")
    assert not app.exception
    assert len(Blocks(page.store).of(student.uid)) == 1
    assert press(app, "Next").get("progress")


@pytest.mark.parametrize("part", ["Lesson", "Drill", "My eye", "By hand", "Team"])
def test_every_part_opens_also_without_a_roster(page, part):
    assert not page(part=part).exception
    student, _ = Roster(page.store).add("Juniper")
    assert not page(part=part, student=student.uid).exception


def test_results_open_with_answers(page):
    student, _ = Roster(page.store).add("Juniper")
    blocks = Blocks(page.store)
    for kind in ("percent", "percent", "threshold", "threshold"):
        block = blocks.open(student.uid, kind)
        for k in range(10):
            call = float(k % 2) if kind == "threshold" else 20.0 + k
            blocks.answer(block.uid, k, call)
    app = page(part="My eye", student=student.uid)
    assert not app.exception
    assert any("You are off by" in h.body for h in app.get("html"))
    assert not page(part="Team", student=student.uid).exception
