"""Scores of a placing, against published examples, a closed form from statistics, and every case there is."""

from itertools import combinations, permutations, product
from statistics import mean

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import spearmanr

from truelobe.judging import (
    Cuts,
    all_placings,
    chance_mean,
    check_cuts,
    cuts_of_officials,
    hint,
    read_placing,
    score,
)
from truelobe.messages import TruelobeError

PLACINGS = list(permutations((1, 2, 3, 4)))
placings = st.sampled_from(PLACINGS)
cut_sets = st.builds(Cuts, *[st.integers(0, 8)] * 3)


@pytest.mark.parametrize(
    ("official", "cuts", "placing", "points"),
    [
        # Reiling, University of Nebraska, the text behind NebGuide G2092: "2-1-3-4" and "2-1-4-3" with cuts 2-5-3.
        ("1234", (2, 5, 3), "2134", 48),
        ("1234", (2, 5, 3), "2143", 45),
        # Six comparisons written out, only 3 over 2 fails: learnhowtojudge.blogspot.com, "Reasons and scores".
        ("4321", (2, 5, 3), "4231", 45),
        # Top pair switched with cuts 4-1-4: cattletoday.com, "How are cuts made", post 694099.
        ("1234", (4, 1, 4), "2134", 46),
    ],
)
def test_published_examples(official, cuts, placing, points):
    assert score(read_placing(official), check_cuts(*cuts), read_placing(placing)).points == points


# All 24 placings for 1-2-3-4 with cuts 2-5-3, worked out by hand from the six-comparison method of the third
# example above (no published table of all 24 was found).
TABLE = """1234 50, 2134 48, 1243 47, 1324 45, 2143 45, 2314 41, 1423 39, 3124 38, 1342 37, 3214 36, 2413 35,
1432 34, 2341 31, 3142 30, 4123 29, 2431 28, 4213 27, 3241 26, 4132 24, 3412 20, 4231 20,
3421 18, 4312 17, 4321 15"""


def test_all_24_placings_for_2_5_3():
    expected = {read_placing(line.split()[0]): int(line.split()[1]) for line in TABLE.split(",")}
    assert len(expected) == 24
    scores = all_placings((1, 2, 3, 4), Cuts(2, 5, 3))
    assert {one.placing: one.points for one in scores} == expected
    assert [one.points for one in scores] == sorted(expected.values(), reverse=True)
    assert mean(one.points for one in scores) == chance_mean(Cuts(2, 5, 3)) == 32.5


@pytest.mark.parametrize(
    ("official", "cuts", "placing", "points"),
    [("2413", (3, 2, 6), "4132", 31), ("1234", (5, 5, 5), "4321", 0), ("1234", (3, 8, 4), "4321", -3)],
)
def test_further_cases_worked_out_by_hand(official, cuts, placing, points):
    assert score(read_placing(official), Cuts(*cuts), read_placing(placing)).points == points


@given(placings, cut_sets, placings)
def test_the_score_is_fifty_less_the_cuts_of_reversed_pairs(official, cuts, placing):
    one_by_one = (cuts.top, cuts.middle, cuts.bottom)
    lost = 0
    for better, worse in combinations(official, 2):
        if placing.index(better) > placing.index(worse):
            lost += sum(one_by_one[official.index(better) : official.index(worse)])
    result = score(official, cuts, placing)
    assert result.points == 50 - lost
    assert sum(pair.lost for pair in result.pairs) == lost
    assert len(result.pairs) == 6


@given(placings, st.integers(1, 5), placings)
def test_equal_cuts_give_spearmans_rank_correlation(official, cut, placing):
    """A reversed pair then costs c times its distance, which makes the score linear in Spearman's rho."""
    ranks = ([order.index(plate) for plate in (1, 2, 3, 4)] for order in (official, placing))
    rho = spearmanr(*ranks).statistic
    assert score(official, Cuts(cut, cut, cut), placing).points == pytest.approx(50 - 5 * cut * (1 - rho))


@given(placings, cut_sets)
def test_the_ends_and_the_middle_of_the_scale(official, cuts):
    scores = all_placings(official, cuts)
    assert score(official, cuts, official).points == 50
    assert score(official, cuts, official[::-1]).points == 50 - 3 * cuts.total - cuts.middle
    assert mean(one.points for one in scores) == chance_mean(cuts) == 50 - cuts.worst_loss / 2


def test_every_cut_set_is_accepted_or_refused_rightly():
    """Limits of Colorado 1.619 and G2092; the last rule is checked against the scores themselves."""
    refused = 0
    for one in product(range(9), repeat=3):
        below_zero = min(s.points for s in all_placings((1, 2, 3, 4), Cuts(*one))) < 0
        fits = sum(one) <= 15 and not below_zero
        try:
            assert check_cuts(*one) == Cuts(*one)
            assert fits
        except TruelobeError as error:
            assert not fits
            refused += error.message.code == "cuts-below-zero"
    # The two older limits alone would let 25 sets through that can score below zero.
    assert refused == 25


@pytest.mark.parametrize(("total", "largest_middle"), [(15, 5), (14, 8)])
def test_middle_cut_limits_as_colorado_1_619_states_them(total, largest_middle):
    for top, middle in product(range(9), repeat=2):
        bottom = total - top - middle
        if 0 <= bottom <= 8:
            if middle <= largest_middle:
                check_cuts(top, middle, bottom)
            else:
                with pytest.raises(TruelobeError):
                    check_cuts(top, middle, bottom)


@pytest.mark.parametrize("cuts", [(9, 1, 1), (2.5, 5, 3), (-1, 5, 3), (True, 5, 3), ("2", 5, 3)])
def test_cuts_that_are_no_cuts(cuts):
    with pytest.raises(TruelobeError):
        check_cuts(*cuts)


def test_cuts_of_officials_are_taken_as_given_with_a_note():
    cuts, notes = cuts_of_officials(3, 8, 4)
    assert cuts == Cuts(3, 8, 4)
    assert [note.code for note in notes] == ["cuts-unusual"]
    assert "-3" in notes[0].text
    assert cuts_of_officials(2, 5, 3) == (Cuts(2, 5, 3), ())
    with pytest.raises(TruelobeError):
        cuts_of_officials(2, -5, 3)


def test_hints_as_colorado_1_619_words_them():
    assert [hint(cut) for cut in range(1, 9)] == ["hard"] * 3 + ["middling"] * 2 + ["easy"] * 3


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("1123", "Plate 1 stands there twice."),
        ("124", "Plate 3 is missing."),
        ("1235", "“5” is not a plate"),
        ("", "four plates"),
        ("12x4", "“x” is not a plate"),
    ],
)
def test_a_wrong_digit_is_named(typed, said):
    with pytest.raises(TruelobeError) as caught:
        read_placing(typed)
    assert said in caught.value.message.text


def test_a_placing_may_be_typed_with_or_without_dashes():
    assert read_placing("2413") == read_placing("2-4-1-3") == read_placing(" 2 4 1 3 ") == (2, 4, 1, 3)
