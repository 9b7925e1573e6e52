"""The plate: count, share that shows the colour, uniformity, score cards."""

from __future__ import annotations

import json

import pytest
from tests.grading.grading_plates import AT, looked_at, pepper, plate

from truelobe import schema
from truelobe.grading import HandFacts, load_rule_set
from truelobe.grading.cautions import CAUTIONS, foot_line
from truelobe.grading.plate import Setting, cases_of, grade_plate
from truelobe.grading.score_card import glossaries, published_cards, score_view, total
from truelobe.messages import TruelobeError

US = load_rule_set()
ALL = looked_at(1, 2, 3, 4, 5)


def five(**odd):
    return plate(*(pepper(n, **(odd if n == 3 else {})) for n in range(1, 6)))


def test_the_example_documents_fit_the_schema():
    schema.check(five())


def test_a_sound_plate_with_every_fact_filled_meets_fancy():
    graded = grade_plate(five(), ALL, US, Setting("red"))
    assert graded.highest == "U.S. Fancy"
    assert graded.answer == "Five peppers. All five meet the measured and recorded requirements of U.S. Fancy."
    assert graded.count_right


def test_the_plate_is_held_by_its_poorest_pepper_and_says_which():
    graded = grade_plate(five(length=84.0), ALL, US, Setting("red"))
    assert graded.highest == "U.S. No. 1"
    assert "Number 3: length is 5 mm short of 88.9 mm (3-1/2 in)." in graded.answer


def test_before_a_hand_has_touched_the_fruit_the_sizes_are_said_and_nothing_passes():
    graded = grade_plate(five(length=84.0), HandFacts(), US, Setting("red"))
    assert graded.highest is None
    assert "By size alone: numbers 1, 2, 4, 5 meet U.S. Fancy; number 3 meets U.S. No. 1." in graded.answer


@pytest.mark.parametrize(("wanted", "right", "words"), [(5, True, "as the show asks"), (6, False, "one missing"),
                                                        (3, False, "two too many")])  # fmt: skip
def test_the_count_is_held_against_the_shows_number(wanted, right, words):
    # Iowa 3, Missouri 4-6, Nebraska 5, Oklahoma 5, Oregon 2: the number is a setting.
    graded = grade_plate(five(), ALL, US, Setting("red", wanted=wanted))
    assert graded.count_right == right
    assert words in graded.count


@pytest.mark.parametrize("wanted", [1, 7])
def test_no_show_asks_for_fewer_than_two_or_more_than_six(wanted):
    with pytest.raises(ValueError, match="2 to 6"):
        Setting(wanted=wanted)


def test_ninety_percent_of_five_is_all_five():
    # AMS grade page: at least 90 % of the peppers show any amount of the colour named; 4 of 5 is 80 %.
    assert grade_plate(five(), ALL, US, Setting("red")).colour.outcome == "met"
    one_yellow = grade_plate(five(colour="yellow"), ALL, US, Setting("red")).colour
    assert (one_yellow.outcome, one_yellow.showing) == ("missed", 4)
    one_green = grade_plate(five(colour="green"), ALL, US, Setting("red")).colour
    assert one_green.outcome == "not seen"
    assert grade_plate(five(), ALL, US, Setting()).colour.outcome == "not checked"
    assert grade_plate(five(), ALL, US, Setting("mixed")).colour.outcome == "not applicable"


def test_the_two_colour_rules_stand_side_by_side():
    graded = grade_plate(five(uncoloured=0.4), ALL, US, Setting("red"))
    assert [o.outcome for o in graded.any_amount] == ["met"] * 5
    assert [o.outcome for o in graded.house] == ["met", "met", "missed", "met", "met"]


def test_a_plate_cannot_use_a_lot_tolerance_and_says_so():
    note = grade_plate(five(), ALL, US, Setting("red")).lot_note
    assert "One pepper of five is 20 percent" in note
    assert "lot" in note


def test_uniformity_can_be_quoted_and_names_the_odd_one():
    alike = grade_plate(five(diameter=95.0), ALL, US, Setting("red")).uniformity
    assert alike.odd_one.number == 3
    assert "15 mm wider" in alike.odd_one.says
    # Own part of each figure is 0.6 x 1.2 mm; the shared part cancels: 1.96 x sqrt(2) x 0.72 = 2 mm.
    diameter = next(s for s in alike.spreads if s.quantity == "diameter")
    assert diameter.difference.value == pytest.approx(15.0)
    assert diameter.difference.half_width == pytest.approx(1.96 * 2**0.5 * 0.72, rel=0.01)


def test_an_even_plate_has_no_odd_one():
    assert grade_plate(five(), ALL, US, Setting("red")).uniformity.odd_one is None
    # Nor has one that is all over the place.
    mixed = plate(*(pepper(n, diameter=d, length=1.1 * d) for n, d in enumerate((60, 72, 84, 96, 108), start=1)))
    assert grade_plate(mixed, ALL, US, Setting("red")).uniformity.odd_one is None


def test_one_green_among_red_is_the_odd_one_by_colour():
    alike = grade_plate(five(uncoloured=0.6), ALL, US, Setting("red")).uniformity
    assert (alike.odd_one.number, alike.odd_one.quantity) == (3, "colour")


def test_lobes_are_compared_where_they_were_counted():
    hand = ALL
    for n, lobes in enumerate((4, 4, 3, 4, 4), start=1):
        hand = hand.record(n, "lobes", lobes, AT)
    assert "Lobes differ (4: 1, 2, 4, 5; 3: 3)." in grade_plate(five(), hand, US).uniformity.lines


def test_an_empty_plate_is_said_and_does_not_pass():
    graded = grade_plate(plate(), HandFacts(), US)
    assert graded.answer == "No peppers."
    assert graded.highest is None


def test_the_grade_goes_into_a_record_as_json():
    document = json.loads(json.dumps(grade_plate(five(), ALL, US, Setting("red")).document()))
    assert document["rules"]["id"] == US.id
    assert document["highest"] == "U.S. Fancy"


def test_published_score_cards():
    # Utah 4-H fair judges training, 2015; Franklin County fair guide (size is the remainder to 100).
    utah, franklin = published_cards()
    assert utah.weights == {"condition": 30, "quality": 25, "uniformity": 20, "true to type": 15, "size": 10}
    assert franklin.weights == {"condition": 25, "quality": 20, "uniformity": 20, "true to type": 20, "size": 15}
    assert "utah4h" in utah.source


def test_a_score_card_lays_facts_beside_criteria_and_leaves_points_to_the_coach():
    hand = ALL.record(2, "scars", "injury", AT)
    document = five()
    card = published_cards()[0]
    lines = {line.criterion: line for line in score_view(card, cases_of(document, hand, Setting()),
                                                         grade_plate(document, hand, US).uniformity)}  # fmt: skip
    assert lines["condition"].evidence == ("Scars: number 2 injury",)
    assert lines["quality"].evidence == ("All looked at, nothing found",)
    assert total(card, {"condition": 27, "quality": 25}) == 52
    with pytest.raises(TruelobeError):
        total(card, {"size": 11})
    with pytest.raises(TruelobeError):
        card.reweighted({"condition": 99})


def test_quality_and_condition_have_two_glossaries():
    both = glossaries()
    assert both["inspection"]["quality"] != both["fair score cards"]["quality"]


def test_cautions_are_short_and_sourced():
    for caution in CAUTIONS:
        assert caution.source
        assert len(caution.text) <= 260
    assert foot_line().startswith("Practice aid, not an inspection.")
