"""What the pages say about a plate."""

import csv
import doctest
import io

import pytest
from tests.pages import example_plate

from truelobe.report import table, words


@pytest.mark.parametrize("module", [table, words], ids=["table", "words"])
def test_the_examples_in_the_documentation_hold(module):
    assert doctest.testmod(module).failed == 0


def test_one_line_says_what_is_met_and_what_would_settle_the_rest():
    assert words.summary(example_plate.document()) == (
        "Five peppers. Three meet 2-1/2 in; number 3 is too close to call. "
        "Two meet the 15 % color rule; number 3 misses it; number 2 is too close to call. "
        "Number 5 has a doubtful outline and does not count yet: keep it or remove it. "
        "To settle number 3: turn it a third of a turn and take one more photo, or use a caliper."
    )


def test_a_pepper_cut_off_by_the_photo_is_not_called_doubtful():
    whole = example_plate.document()
    cut = [pepper | {"cut_off": pepper["doubtful"]} for pepper in whole["peppers"]]
    said = words.summary(whole | {"peppers": cut})
    assert "Number 5 is cut off by the photo's edge: step back and take it again." in said
    assert "doubtful" not in said
    assert words.alt_text(whole | {"peppers": cut}).endswith("across, cut off by the photo's edge.")


def test_one_pepper_is_spoken_of_as_one():
    one = example_plate.document(peppers=example_plate.document()["peppers"][3:4])
    assert words.summary(one).startswith("One pepper. It meets 2-1/2 in. It meets the 15 % color rule.")


def test_refused_and_empty_photos_are_named_as_such():
    assert words.summary(example_plate.document(status="refused", peppers=[])) == "This photo was not measured."
    assert words.summary(example_plate.document(peppers=[])) == "No pepper was found in this photo."


def test_an_unread_figure_is_not_a_number():
    pepper = example_plate.document()["peppers"][0] | {"length_mm": None, "not_fully_coloured": None}
    assert [r.first for r in words.readings(pepper)] == ["3-5/16 in", "not seen", "not checked"]


def test_lengths_come_in_inches_and_millimetres_with_the_digits_they_earn():
    diameter = words.readings(example_plate.document()["peppers"][0])[0]
    assert (diameter.first, diameter.second) == ("3-5/16 in", "84 mm, give or take 3")


def test_the_picture_is_described_in_words():
    described = words.alt_text(example_plate.document())
    assert "five outlined and numbered" in described
    assert "pepper 5, orange, 2.8 inches across, outline doubtful" in described


def test_every_figure_and_decision_stands_in_the_csv():
    lines = list(csv.DictReader(io.StringIO(table.as_csv(example_plate.document()))))
    assert len(lines) == 6
    assert lines[-1]["pepper"] == words.PRACTICE_AID
    third = lines[2]
    assert float(third["diameter_mm"]) == 63.9
    assert float(third["diameter_in"]) == pytest.approx(63.9 / 25.4, abs=5e-4)
    assert third["U.S. No. 1 diameter: diameter"] == "too close"
    assert third["House rule 15 %: not_fully_coloured"] == "missed"


def test_a_cell_cannot_become_a_formula():
    pepper = example_plate.document()["peppers"][0] | {"colour": "=HYPERLINK(1)"}
    assert "'=HYPERLINK(1)" in table.as_csv(example_plate.document(peppers=[pepper]))


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
def test_a_chance_never_reads_as_if_it_had_reached_a_level_it_falls_short_of(level):
    # Of what is too close, the number shown lies inside the level (JCGM 106: the level is reached or it is not).
    for probability in (level - 0.0001, level - 0.004, level - 0.009):
        shown = words.chance({"probability_met": probability})
        assert f"{100 * level:.0f} %" not in shown
        assert words.chance({"probability_met": 1 - probability}) != f"{100 * (1 - level):.0f} % likely met"
    assert words.chance({"probability_met": 0.95}) == "95 % likely met"
