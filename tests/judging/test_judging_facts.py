"""What speaks for either plate of a pair, and whether it is real: held against simulated errors."""

import numpy as np
import pytest
from tests.judging.judging_plates import by_hand, document, figure

from truelobe.judging.contrast import Term, contrast, is_real
from truelobe.judging.facts import Plate, cannot_be_told, leans_against, pair_facts


def fact(facts, name):
    return next(one for one in facts if one.name == name)


@pytest.mark.parametrize(
    ("same_photo", "same_print", "same_camera"),
    [(True, True, True), (False, True, True), (False, False, True), (False, True, False), (False, False, False)],
)
def test_shared_errors_cancel_as_in_a_simulation(same_photo, same_print, same_camera):
    """The oracle draws every error source once per sharer and looks at the spread of the difference of means."""
    own, scale, camera, photo = 0.5, 1.1, 0.8, 0.6
    first, second = [80.0, 84.0, 79.0], [76.0, 78.0, 77.0]

    def terms(values, plate, weight, *, photo_key, print_key, camera_key):
        return [
            Term(
                weight / len(values),
                figure(v, own=own, scale=scale, camera=camera, photo=photo),
                (plate, n),
                photo_key,
                print_key,
                camera_key,
            )
            for n, v in enumerate(values)
        ]

    a = terms(first, 1, 1.0, photo_key="p1", print_key=7, camera_key="x")
    b = terms(
        second,
        2,
        -1.0,
        photo_key="p1" if same_photo else "p2",
        print_key=7 if same_print else 8,
        camera_key="x" if same_camera else "y",
    )
    result = contrast([*a, *b])
    rng = np.random.default_rng(3)
    n = 200_000
    drawn = rng.normal(0, own, (n, 3)).mean(axis=1) - rng.normal(0, own, (n, 3)).mean(axis=1)
    for size, same in ((scale, same_print), (camera, same_camera), (photo, same_photo)):
        one = rng.normal(0, size, n)
        drawn += one - (one if same else rng.normal(0, size, n))
    assert result.value == pytest.approx(np.mean(first) - np.mean(second))
    # A standard deviation from n normal draws has a relative standard error of 1 / sqrt(2 n): 0.16 percent.
    assert result.standard_uncertainty == pytest.approx(drawn.std(), rel=0.01)


def test_uncertainty_that_no_budget_line_explains_counts_as_each_peppers_own():
    bare = figure(80.0, own=0.0)
    assert bare.standard_uncertainty == 0
    from truelobe.figures import from_normal

    terms = [Term(w, from_normal(80.0, 2.0), n, "p", 7, "x") for n, w in ((1, 1.0), (2, -1.0))]
    assert contrast(terms).standard_uncertainty == pytest.approx(np.sqrt(8))


def test_a_common_print_error_makes_a_small_difference_real():
    """A scale error of 1.5 mm is larger than the 2 mm gap can bear, unless both plates share it."""
    errors = {"own": 0.4, "scale": 1.5}
    one = Plate(1, document([80, 81, 82], sha="a", print_number=7, **errors), pictured=True)
    same_card = Plate(2, document([78, 79, 80], sha="b", print_number=7, **errors), pictured=True)
    other_card = Plate(2, document([78, 79, 80], sha="b", print_number=9, **errors), pictured=True)
    shared, apart = (fact(pair_facts(one, other), "diameter") for other in (same_card, other_card))
    assert shared.real
    assert shared.favours == 1
    assert not apart.real
    assert "Plate 1 is larger across: 81 mm" in shared.says
    assert "Plate 1 may be larger across" in apart.says


def test_unknown_prints_and_cameras_are_not_taken_for_shared():
    errors = {"own": 0.4, "scale": 1.5, "camera": 1.5}
    one = Plate(1, document([80, 81, 82], sha="a", print_number=None, **errors))
    two = Plate(2, document([78, 79, 80], sha="b", print_number=None, **errors))
    gap = fact(pair_facts(one, two), "diameter").difference
    assert gap.standard_uncertainty > 2.9  # sqrt(2 * 1.5**2 * 2) and the outlines


def test_evenness_is_the_smaller_range():
    even, odd = Plate(1, document([80, 81, 80])), Plate(2, document([74, 81, 86], sha="b"))
    told = fact(pair_facts(even, odd), "width range")
    assert told.favours == 1
    assert told.real
    assert told.difference.value == pytest.approx(1 - 12)


def test_fuller_color_speaks_for_a_plate():
    full, turning = Plate(3, document([80, 80], uncoloured=0.02)), Plate(4, document([80, 80], uncoloured=0.2))
    told = fact(pair_facts(turning, full), "not fully colored")
    assert (told.favours, told.real, told.trait) == (3, True, "color")


def test_order_of_the_pair_does_not_matter():
    one, two = Plate(1, document([80, 81, 82])), Plate(2, document([70, 79, 80], sha="b"))
    there = {(f.name, f.favours, f.real, f.says) for f in pair_facts(one, two)}
    back = {(f.name, f.favours, f.real, f.says) for f in pair_facts(two, one)}
    assert there == back


def test_hand_facts_count_only_when_every_pepper_was_checked():
    firm = by_hand({"firmness": ["firm", "firm", "firm"]})
    soft = by_hand({"firmness": ["firm", "soft", "fairly firm"]})
    half = by_hand({"firmness": ["soft", "not checked", "firm"]})
    told = fact(pair_facts(Plate(1, hand=firm), Plate(2, hand=soft)), "firmness")
    assert (told.favours, told.real, told.trait, told.seen) == (1, True, "condition", False)
    unsure = fact(pair_facts(Plate(1, hand=firm), Plate(2, hand=half)), "firmness")
    assert (unsure.favours, unsure.real) == (None, None)
    assert "Not checked on every pepper" in unsure.says


def test_a_pair_whose_facts_all_lean_against_the_official_order_is_pointed_out():
    large = Plate(1, document([85, 86, 85], uncoloured=0.02), pictured=True)
    small = Plate(2, document([70, 71, 70], sha="b", uncoloured=0.02), pictured=True)
    facts = pair_facts(large, small)
    assert leans_against(facts, better=2)
    assert not leans_against(facts, better=1)
    scarred = Plate(1, large.document, by_hand({"scars": ["damage", "none", "none"]}), pictured=True)
    clean = Plate(2, small.document, by_hand({"scars": ["none", "none", "none"]}), pictured=True)
    assert not leans_against(pair_facts(scarred, clean), better=2)
    assert not leans_against((), better=2)


def test_a_difference_nobody_can_see_must_be_told():
    alike = {"own": 1.0}
    firm = Plate(1, document([80, 80, 80], **alike), by_hand({"firmness": ["firm"] * 3}), pictured=True)
    soft = Plate(2, document([80, 80, 80], sha="b", **alike), by_hand({"firmness": ["soft"] * 3}), pictured=True)
    facts = pair_facts(firm, soft)
    assert [f.name for f in cannot_be_told(facts, told=())] == ["firmness"]
    assert cannot_be_told(facts, told=("firmness",)) == ()


def test_a_real_difference_leaves_zero_outside_its_interval():
    assert is_real(figure(2.0, own=1.0))
    assert not is_real(figure(1.9, own=1.0))
