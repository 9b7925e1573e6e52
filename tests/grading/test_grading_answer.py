"""What is said about a pepper: the reason in one sentence, two colour rules, hand facts, areas."""

from __future__ import annotations

from datetime import timedelta

import pytest
from tests.grading.grading_plates import AT, figure, looked_at, pepper

from truelobe.figures import from_normal
from truelobe.grading import Case, grade_pepper, load_rule_set
from truelobe.grading.blemish import Blemish, smooth_skin_mm2
from truelobe.grading.pepper import over_days, two_colour_rules

US, NY, SA, HOUSE = (
    load_rule_set(n)
    for n in ("us-sweet-peppers-2005", "new-york-seal-of-quality", "south-africa-r364", "house-rules")
)


def graded(fruit, rules=US, hand=None, **more):
    return grade_pepper(Case(fruit, looked_at(1) if hand is None else hand, "red", **more), rules)


def mark(fact, area, relative_u=0.02):
    circle = 2 * (area / 3.141592653589793) ** 0.5
    return Blemish(
        fact,
        from_normal(area, relative_u * area),
        from_normal(circle, relative_u * circle / 2),
        from_normal(0.01, 0.001),
        0.0,
    )


def test_a_missed_length_says_by_how_much():
    assert "length is 3 mm short of 88.9 mm (3-1/2 in)" in graded(pepper(length=85.9, u=0.5)).stands_between


def test_an_unchecked_fact_is_named():
    hand = looked_at(1).record(1, "firmness", "not checked", AT + timedelta(minutes=1))
    assert graded(pepper(), hand=hand).stands_between == "Between it and U.S. Fancy: firmness not checked."


def test_a_blank_limit_is_met_through_the_grade_above_and_only_so():
    hand = looked_at(1).record(1, "scars", "damage", AT + timedelta(minutes=1))
    size = next(o for o in graded(pepper(), hand=hand).grades[2].outcomes if o.kind == "size")
    assert (size.outcome, size.by) == ("met", "higher grade")
    small = graded(pepper(diameter=55), hand=hand)
    assert small.highest is None
    assert "smallest diameter not entered" in small.stands_between


def test_a_hand_measurement_decides_in_place_of_the_photo():
    hand = looked_at(1).record(1, "diameter", 74.0, AT, u=0.3)
    size = next(o for o in graded(pepper(diameter=80), hand=hand).grades[0].outcomes if o.fact == "diameter")
    assert (size.outcome, size.by) == ("missed", "hand")


def test_an_unsure_stem_end_is_too_close_when_the_two_readings_disagree():
    fruit = pepper(
        diameter=80, length=95, other_reading={"diameter_mm": figure(95, 1.2), "length_mm": figure(80, 1.2)}
    )
    outcome = next(o for o in graded(fruit).grades[0].outcomes if o.fact == "length")
    assert outcome.outcome == "too close"
    assert "stem end" in outcome.says


def test_the_two_colour_rules_are_told_apart():
    # AMS grade page: any amount of the colour named; common practice: less than 15 % not fully coloured.
    any_amount, area = two_colour_rules(Case(pepper(uncoloured=0.8), declared_colour="red"), US, HOUSE)
    assert (any_amount.outcome, any_amount.basis) == ("met", "whole")
    assert (area.outcome, area.basis) == ("missed", "seen")
    assert "side seen" in area.says


def test_a_red_pepper_on_a_plate_called_green_misses_the_colour_named():
    any_amount, _ = two_colour_rules(Case(pepper(uncoloured=0.02), declared_colour="green"), US, HOUSE)
    assert any_amount.outcome == "missed"


def test_a_side_without_the_colour_named_does_not_prove_that_there_is_none():
    any_amount, _ = two_colour_rules(Case(pepper(uncoloured=1.0, u_share=0.0), declared_colour="red"), US, HOUSE)
    assert any_amount.outcome == "not seen"
    turned = pepper(uncoloured=1.0, u_share=0.0, skin_seen=0.97, whole_skin_not_fully_coloured=figure(1.0, 0.0))
    any_amount, _ = two_colour_rules(Case(turned, declared_colour="red"), US, HOUSE)
    assert any_amount.outcome == "missed"


def test_without_a_declared_colour_the_colour_named_is_not_checked():
    any_amount, area = two_colour_rules(Case(pepper()), US, HOUSE)
    assert any_amount.outcome == "not checked"
    assert area.outcome == "met"


def test_only_turned_photos_allow_a_word_about_the_whole_pepper():
    one = grade_pepper(Case(pepper(), looked_at(1)), HOUSE)
    assert "on the side seen" in one.answer
    turned = pepper(skin_seen=0.95, whole_skin_not_fully_coloured=figure(0.05, 0.01))
    assert "on the side seen" not in grade_pepper(Case(turned, looked_at(1)), HOUSE).answer


@pytest.mark.parametrize(
    ("fact", "area", "outcome"),
    [
        # 1 NYCRR 162.26, pepper of the reference size: a scar 3/8 in across is 71.3 mm2; sunburn 5 % of 203 cm2.
        ("scars", 60.0, "met"),
        ("scars", 71.3, "too close"),
        ("scars", 80.0, "missed"),
        ("sunburn", 900.0, "met"),
        ("sunburn", 1150.0, "missed"),
        ("mechanical", 28.0, "met"),
        ("mechanical", 36.0, "missed"),
    ],
)
def test_a_marked_area_is_held_against_the_number(fact, area, outcome):
    fruit = pepper(diameter=76.2, length=88.9)
    got = graded(fruit, NY, blemishes=(mark(fact, area),))
    assert next(o for o in got.outcomes if o.fact == fact).outcome == outcome


def test_scars_add_up():
    # 1 NYCRR 162.26: scattered scars of more than a 5/8 in circle (197.9 mm2) in all.
    fruit = pepper(diameter=76.2, length=88.9)
    three, four = (graded(fruit, NY, blemishes=(mark("scars", 55.0),) * n) for n in (3, 4))
    assert next(o for o in three.outcomes if o.fact == "scars").outcome == "met"
    assert next(o for o in four.outcomes if o.fact == "scars").outcome == "missed"


def test_larger_peppers_are_allowed_larger_areas():
    large = graded(pepper(diameter=100, length=115), NY, blemishes=(mark("scars", 80.0),))
    assert next(o for o in large.outcomes if o.fact == "scars").outcome == "met"


def test_where_no_number_is_entered_the_word_decides_and_the_area_stands_beside():
    got = graded(pepper(), US, blemishes=(mark("scars", 900.0),))
    scars = next(o for o in got.grades[0].outcomes if o.fact == "scars")
    assert (scars.outcome, scars.by) == ("met", "coach's eye")


def test_a_smooth_pepper_of_the_reference_size_has_its_published_skin():
    # Worked by hand: ellipsoid of revolution 3 by 3-1/2 in, 31.5 in2 (203 cm2).
    assert smooth_skin_mm2(76.2, 88.9) / 100 == pytest.approx(203, abs=0.6)
    # A sphere: pi d2. A flat one by the oblate formula (Knud Thomsen's approximation agrees within 1.1 %).
    assert smooth_skin_mm2(80, 80) == pytest.approx(3.141592653589793 * 6400)
    a, c, p = 50.0, 35.0, 1.6075
    thomsen = 4 * 3.141592653589793 * ((a ** (2 * p) + 2 * (a * c) ** p) / 3) ** (1 / p)
    assert smooth_skin_mm2(100, 70) == pytest.approx(thomsen, rel=0.012)


def test_a_photo_can_prove_a_stalk_end_too_narrow_but_never_wide_enough():
    # Regulation R364: square blunt types 50 mm across the stalk end.
    narrow = graded(pepper(diameter=45), SA, pepper_type="square blunt")
    wide = graded(pepper(diameter=80), SA, pepper_type="square blunt")
    assert narrow.outcomes[0].outcome == "missed"
    assert wide.outcomes[0].outcome == "not checked"
    by_hand = looked_at(1).record(1, "stalk_diameter", 62.0, AT)
    assert graded(pepper(), SA, by_hand, pepper_type="square blunt").highest == "South Africa Class 1"
    flat = graded(pepper(diameter=80), SA, pepper_type="flat")
    assert flat.outcomes[0].outcome == "met"


def test_the_first_and_the_latest_day_stand_side_by_side():
    hand = looked_at(1).record(1, "firmness", "soft", AT + timedelta(days=3))
    days = over_days(Case(pepper(), hand, "red"), US)
    assert [day.day for day, _ in days] == [14, 17]
    assert [grade.highest for _, grade in days] == ["U.S. Fancy", None]
    ((first, last),) = hand.changes()
    assert (first.value, last.value) == ("firm", "soft")


def test_a_record_names_the_rules_it_was_judged_under():
    document = graded(pepper()).document()
    assert document["rules"]["edition"] == "effective 17 November 2005"
    assert document["rules"]["revision"] == 1
    assert len(document["rules"]["sha256"]) == 64


def test_a_doubtful_outline_decides_nothing_until_the_coach_says_yes():
    got = graded(pepper(doubtful=True))
    assert got.highest is None
    assert "outline is doubtful" in got.stands_between
    by_hand = looked_at(1).record(1, "diameter", 80.0, AT).record(1, "length", 95.0, AT)
    sizes = [o for o in graded(pepper(doubtful=True), hand=by_hand).grades[0].outcomes if o.kind == "size"]
    assert [(o.outcome, o.by) for o in sizes] == [("met", "hand")] * 2


def test_a_colour_without_a_reference_is_not_checked():
    purple = pepper(colour="purple") | {"not_fully_coloured": None}
    any_amount, area = two_colour_rules(Case(purple, declared_colour="purple"), US, HOUSE)
    assert (any_amount.outcome, area.outcome) == ("not checked", "not checked")
