"""Every single fault takes a sound pepper exactly as far down as the standard's text says.

The table was written from the grade paragraphs of the U.S. Standards for Grades of Sweet Peppers, effective
17 November 2005 (AMS grade page for U.S. Fancy and U.S. No. 1; for U.S. No. 2 a trade reproduction of the AMS
summary), before any of it was run. Kinds of injury that the paragraphs do not name come in through "other means".
"""

from __future__ import annotations

import pytest
from tests.grading.grading_plates import AT, looked_at, pepper

from truelobe.grading import Case, grade_pepper, load_rule_set

US = load_rule_set("us-sweet-peppers-2005")
FANCY, NO_1, NO_2, NONE = "U.S. Fancy", "U.S. No. 1", "U.S. No. 2", None

# A defect on the ladder: free from injury (Fancy), from damage (No. 1), from serious damage (No. 2).
_LADDER = [("slight", FANCY), ("injury", NO_1), ("damage", NO_2), ("serious damage", NONE)]
_NAMED = ["scars", "hail", "sunburn", "disease", "insects", "mechanical"]
_OTHER_MEANS = ["crushed", "broken", "bruised", "pitted", "discoloration", "other", "together"]
CASES = [(fact, word, grade) for fact in [*_NAMED, *_OTHER_MEANS] for word, grade in _LADDER]

# Freezing injury: a flat exclusion in Fancy; on the ladder below it.
CASES += [("freezing", "slight", NO_1), ("freezing", "injury", NO_1), ("freezing", "damage", NO_2)]
CASES += [("freezing", "serious damage", NONE)]

# Flat exclusions of every grade: sunscald, decay of calyx and/or wall, decay of stem.
_FLAT = ["sunscald", "decay_wall", "decay_calyx", "decay_stem"]
CASES += [(fact, word, NONE) for fact in _FLAT for word in ("slight", "injury", "damage", "serious damage")]

# Firm in every grade; firm means no softness, shrivel or limpness (Purdue guide, 2006).
CASES += [("firmness", "fairly firm", NONE), ("firmness", "soft", NONE)]
CASES += [("shriveled", "slight", NONE), ("shriveled", "damage", NONE), ("wilted", "slight", NONE)]

# Well shaped; fairly well shaped; not seriously misshapen.
CASES += [("shape", "fairly well shaped", NO_1), ("shape", "misshapen but not seriously", NO_2)]
CASES += [("shape", "seriously misshapen", NONE)]

# Mature, and of similar varietal characteristics, in every grade.
CASES += [("maturity", "not mature", NONE), ("type", "another type", NONE)]

# Words the grade paragraphs do not use: freshness, cleanness, calyx, stem and its trim.
CASES += [("cleanness", "dirty", FANCY), ("freshness", "not fresh", FANCY), ("calyx", "missing", FANCY)]
CASES += [("stem", "damaged", FANCY), ("stem_trim", "torn", FANCY)]

# 3 by 3-1/2 in; 2-1/2 by 2-1/2 in; No. 2 not read, so nothing below No. 1 is settled by a number.
SIZES = [
    (76.2 + 3, 88.9 + 3, FANCY),
    (76.2 - 3, 88.9 + 3, NO_1),
    (76.2 + 3, 88.9 - 3, NO_1),
    (63.5 + 3, 63.5 + 3, NO_1),
    (63.5 - 3, 88.9 + 3, NONE),
    (76.2 + 3, 63.5 - 3, NONE),
    # 3-1/4 by 3 in: wide enough for Fancy, too short.
    (3.25 * 25.4, 76.2, NO_1),
    # USDA household sizes (SR Legacy 11821): medium 2-1/2 in across and 2-3/4 in long lies on the line of No. 1.
    (63.5 + 3, 2.75 * 25.4, NO_1),
]


def test_there_are_at_least_sixty_cases():
    assert len(CASES) + len(SIZES) >= 60
    assert len({case[:2] for case in CASES}) == len(CASES)


def test_a_sound_pepper_with_every_fact_filled_meets_fancy_though_no_area_limit_is_entered():
    assert all(limit.value is None for limit in US.ladder)
    grade = grade_pepper(Case(pepper(), looked_at(1), "red"), US)
    assert grade.answer == "Meets the measured and recorded requirements of U.S. Fancy."
    assert grade.stands_between == ""


@pytest.mark.parametrize(("fact", "word", "expected"), CASES)
def test_one_fault_goes_as_far_down_as_the_text_says(fact, word, expected):
    grade = grade_pepper(Case(pepper(), looked_at(1).record(1, fact, word, AT), "red"), US)
    assert grade.highest == expected


@pytest.mark.parametrize(("diameter", "length", "expected"), SIZES)
def test_both_size_limits_hold_for_each_pepper(diameter, length, expected):
    grade = grade_pepper(Case(pepper(diameter=diameter, length=length, u=0.8), looked_at(1), "red"), US)
    assert grade.highest == expected
