"""A graded plate in words."""

from __future__ import annotations

from tests.grading.grading_plates import AT, looked_at, pepper, plate

from truelobe.figures import from_normal
from truelobe.grading import HandFacts, load_rule_set
from truelobe.grading.blemish import Blemish
from truelobe.grading.plate import Setting, grade_plate
from truelobe.report.graded_words import colour_rows, hand_lines, mark_lines, requirement_rows, shape_rows

US = load_rule_set()


def mark(fact):
    return Blemish(
        fact, from_normal(120.0, 10.0), from_normal(12.4, 0.5), from_normal(0.012, 0.001), 0.0
    ).document()


def test_shape_figures_stand_beside_the_coachs_word():
    rows = shape_rows(plate(pepper(1)), looked_at(1).record(1, "shape", "fairly well shaped", AT))
    assert rows[0].word == "fairly well shaped"
    assert rows[0].lines[0].startswith("length over diameter 1.19, give or take 0.0")
    assert shape_rows(plate(pepper(1)), HandFacts())[0].word == "not checked"


def test_marked_areas_are_said_with_their_uncertainty_and_never_named_by_the_tool():
    lines = mark_lines(plate(pepper(1, blemishes=[mark("scars"), mark(None)])))
    # 1.96 x 10 mm2.
    assert lines[0] == (
        "1a, scars: 120 mm², give or take 20; as a circle 1/2 in across, 12 mm, give or take 1; "
        "1.2 % of the skin seen, give or take 0.2 points."
    )
    assert "not named yet" in lines[1]


def test_areas_of_the_document_are_held_against_the_numbers():
    new_york = load_rule_set("new-york-seal-of-quality")
    document = plate(pepper(1, diameter=76.2, length=88.9, blemishes=[mark("scars")]))
    graded = grade_plate(document, looked_at(1), new_york, Setting("red"))
    # 1 NYCRR 162.26: one scar over 3/8 in (9.5 mm) across; this one is 12.4 mm.
    assert graded.highest is None
    assert "scars: marked area is over" in graded.answer


def test_what_is_not_met_comes_first():
    graded = grade_plate(plate(pepper(1, length=80.0)), looked_at(1), US, Setting("red"))
    rows = requirement_rows(graded, 1)
    assert rows[0].outcome == "missed"
    assert "9 mm short of 88.9 mm" in rows[0].small
    assert rows[-1].outcome == "met"
    assert colour_rows(graded) == ((1, "met", "met"),)


def test_hand_facts_say_who_is_clean_and_what_nobody_looked_at():
    lines = hand_lines([1, 2], looked_at(1))
    assert "Nothing found on number 1." in lines
    assert any(line.startswith("Not checked on every pepper: firmness") for line in lines)
