"""The page "Rules" and the part that records hand facts, run without a browser."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from streamlit.testing.v1 import AppTest
from tests.grading.grading_plates import AT, looked_at, pepper, plate

from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.rule_edit import HOUSE, copy_set, fields, with_value
from truelobe.grading.rule_set import load_rule_set
from truelobe.pages import answer, rule_shelf, rules
from truelobe.store import open_store


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setenv("TRUELOBE_HOME", str(tmp_path))
    rules._store.clear()
    opened = open_store()
    yield opened
    opened.close()
    rules._store.clear()


def rules_page():
    from truelobe.pages import rules

    rules.show()


def hand_part(uid):
    import streamlit as st

    from truelobe.pages import hand_facts, rules

    store = rules._store()
    hand_facts.show(store, store.drafts.get(uid or st.query_params["draft"]))


def words(app):
    return " ".join(str(element.proto) for element in app.get("html"))


def test_a_fresh_store_shows_every_set_that_comes_with_the_tool(store):
    app = AppTest.from_function(rules_page, default_timeout=60).run()
    assert not app.exception
    assert list(app.selectbox(key="rules-chosen").options) == [
        "U.S. sweet peppers", "New York injury limits", "South Africa R364", "House rules"
    ]  # fmt: skip
    assert "21 numbers are blank" in words(app)


@pytest.mark.parametrize("name", ["new-york-seal-of-quality", "south-africa-r364", HOUSE])
def test_every_set_can_be_read(store, name):
    app = AppTest.from_function(rules_page, default_timeout=60).run()
    app.selectbox(key="rules-chosen").select(name).run()
    assert not app.exception
    assert load_rule_set(name).edition in words(app)


def test_a_copy_can_be_made_filled_and_taken_back(store):
    app = AppTest.from_function(rules_page, default_timeout=60).run()
    app.text_input[0].input("Our county show")
    next(b for b in app.button if b.label == "Copy").click().run()
    assert not app.exception
    assert rule_shelf.newest(store, "own-our-county-show").revision == 1
    app.selectbox(key="rules-chosen").select("own-our-county-show").run()
    app.number_input[0].set_value(2.0)
    next(t for t in app.text_input if t.label.startswith("Where")).input("the county's premium book, page 12")
    next(b for b in app.button if b.label == "Save").click().run()
    assert not app.exception
    changed = rule_shelf.newest(store, "own-our-county-show")
    assert changed.revision == 2
    assert changed.grades[2].requirements[-3].value == pytest.approx(50.8)
    app.button(key="rules-undo").click().run()
    assert rule_shelf.newest(store, "own-our-county-show").revision == 3
    assert rule_shelf.newest(store, "own-our-county-show").grades[2].requirements[-3].value is None


def test_a_number_without_a_source_is_refused_in_words(store):
    rule_shelf.keep(store, copy_set(load_rule_set(), "own"))
    app = AppTest.from_function(rules_page, default_timeout=60).run()
    app.selectbox(key="rules-chosen").select("own-own").run()
    app.number_input[0].set_value(2.0)
    next(b for b in app.button if b.label == "Save").click().run()
    assert not app.exception
    assert "rules-source" in words(app)
    assert rule_shelf.newest(store, "own-own").revision == 1


def test_the_house_threshold_decides_photos_from_then_on(store):
    house = load_rule_set(HOUSE)
    field = next(f for f in fields(house) if f.unit == "fraction")
    rule_shelf.keep(store, with_value(house, field, 0.1, source="our county's judge", on=date(2026, 5, 14)))
    assert rule_shelf.newest(store, HOUSE).revision == 2
    assert [r.revision for r in rule_shelf.revisions(store, HOUSE)] == [1, 2]
    limits = {limit["quantity"]: limit["value"] for limit in store.settings.get("limits")}
    assert limits["not_fully_coloured"] == 0.1


def draft_of(store, **body):
    document = plate(*(pepper(n) for n in range(1, 6)))
    whole = {"document": document, "hand_facts": {}, "settings": {"declared_colour": "red"}, **body}
    return store.drafts.start("inspection", whole, uploads=[("plate 3.jpg", b"not read")])


def test_one_tap_records_a_sound_plate_and_undo_takes_it_back(store):
    draft = draft_of(store)
    app = AppTest.from_function(hand_part, args=(draft.uid,), default_timeout=60).run()
    assert not app.exception
    app.button(key="nothing-found").click().run()
    assert not app.exception
    hand = HandFacts.from_document(store.drafts.get(draft.uid).body["hand_facts"])
    assert hand.value(5, "firmness") == "firm"
    assert "All five meet the measured and recorded requirements of U.S. Fancy" in words(app)
    app.button(key="hand-undo").click().run()
    assert store.drafts.get(draft.uid).body["hand_facts"]["entries"] == []


def test_a_plate_that_is_not_measured_asks_nothing(store):
    draft = draft_of(store, document=None)
    app = AppTest.from_function(hand_part, args=(draft.uid,), default_timeout=60).run()
    assert not app.exception
    assert not app.button


def test_two_windows_do_not_wipe_out_each_others_facts(store):
    draft = draft_of(store)
    first = AppTest.from_function(hand_part, args=(draft.uid,), default_timeout=60).run()
    second = AppTest.from_function(hand_part, args=(draft.uid,), default_timeout=60).run()
    first.button(key="nothing-found").click().run()
    second.button(key="nothing-found").click().run()
    assert not second.exception
    hand = HandFacts.from_document(store.drafts.get(draft.uid).body["hand_facts"])
    assert hand.value(1, "firmness") == "firm"
    assert len(hand.entries) == 5 * 29


def test_a_kept_plate_carries_its_grade_its_rules_and_its_defects(store):
    hand = looked_at(1, 2, 3, 4, 5).record(4, "scars", "injury", AT + timedelta(minutes=1))
    grade, defects = answer.kept_with(store, draft_of(store, hand_facts=hand.document()))
    assert grade.plate == "U.S. No. 1"
    assert "effective 17 November 2005, revision 1" in grade.rules
    assert grade.peppers[1] == "U.S. Fancy"
    assert [(defect.name, defect.number) for defect in defects] == [("scars", 4)]
    assert answer.kept_with(store, draft_of(store, document=None)) == (None, ())
