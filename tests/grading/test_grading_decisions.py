"""Boundary cases of a limit with its guard band (JCGM 106:2012, 7.3; ISO 14253-1:2017)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.grading.grading_plates import pepper

from truelobe.figures import from_normal
from truelobe.grading import Case, Limit, decide, grade_pepper, load_rule_set
from truelobe.units import inch_fraction, inches, millimetres

AT_LEAST = Limit("U.S. Fancy", "diameter", 76.2, "mm", "at least")
UNDER = Limit("house", "not_fully_coloured", 0.15, "fraction", "under")

# JCGM 106:2012: with a normal law, p = Phi((y - T) / u). Values of Phi from standard normal tables.
PHI = [(0.0, 0.5), (1.0, 0.8413), (1.645, 0.9500), (1.96, 0.9750), (2.0, 0.9772), (-1.0, 0.1587), (-1.645, 0.0500)]


@pytest.mark.parametrize(("z", "probability"), PHI)
@pytest.mark.parametrize("u", [0.4, 1.5, 3.0])
def test_probability_of_conformity_follows_the_normal_law(z, probability, u):
    made = decide(from_normal(76.2 + z * u, u), AT_LEAST)
    assert made.probability_met == pytest.approx(probability, abs=5e-5)


@pytest.mark.parametrize(
    ("z", "outcome"),
    # A guard band of 1.645 u stands on either side of the limit at a level of 95 %.
    [(-1.70, "missed"), (-1.60, "too close"), (0.0, "too close"), (1.60, "too close"), (1.70, "met")],
)
@pytest.mark.parametrize("limit", [AT_LEAST, Limit("U.S. Fancy", "length", 88.9, "mm", "at least")])
def test_guard_band_of_a_smallest_size(z, outcome, limit):
    assert decide(from_normal(limit.value + z * 1.2, 1.2), limit).outcome == outcome


@pytest.mark.parametrize(
    ("z", "outcome"),
    [(-1.70, "met"), (-1.60, "too close"), (0.0, "too close"), (1.60, "too close"), (1.70, "missed")],
)
def test_guard_band_of_the_house_color_rule(z, outcome):
    assert decide(from_normal(0.15 + z * 0.02, 0.02), UNDER).outcome == outcome


def test_exactly_at_the_limit_without_doubt_a_smallest_size_is_met_and_an_under_is_missed():
    # U.S. standard: "not less than"; the house rule (common practice): exactly at the threshold counts as over.
    assert decide(from_normal(76.2, 0.0), AT_LEAST).outcome == "met"
    assert decide(from_normal(0.15, 0.0), UNDER).outcome == "missed"
    assert decide(from_normal(76.2 + 1e-6, 0.0), AT_LEAST).outcome == "met"
    assert decide(from_normal(76.2 - 1e-6, 0.0), AT_LEAST).outcome == "missed"


@pytest.mark.parametrize(("level", "outcome"), [(0.80, "met"), (0.90, "too close"), (0.99, "too close")])
def test_the_level_is_a_setting(level, outcome):
    # 1 u inside: probability 0.8413 (JCGM 106).
    assert decide(from_normal(77.4, 1.2), AT_LEAST, level=level).outcome == outcome


def test_a_grade_carries_the_probability_of_its_size():
    case = Case(pepper(diameter=76.2 + 1.2, u=1.2), level=0.8)
    sizes = {o.fact: o for o in grade_pepper(case, load_rule_set()).grades[0].outcomes if o.kind == "size"}
    assert sizes["diameter"].probability == pytest.approx(0.8413, abs=5e-5)
    assert sizes["diameter"].outcome == "met"


def test_the_house_rule_calls_fifteen_percent_over():
    # Common practice: exactly at the threshold counts as over, so 15 % is never "met".
    house = load_rule_set("house-rules")
    at = grade_pepper(Case(pepper(uncoloured=0.15, u_share=0.0)), house).outcomes[0]
    just_under = grade_pepper(Case(pepper(uncoloured=0.1499, u_share=1e-6)), house).outcomes[0]
    just_over = grade_pepper(Case(pepper(uncoloured=0.1501, u_share=1e-6)), house).outcomes[0]
    assert (at.outcome, just_under.outcome, just_over.outcome) == ("missed", "met", "missed")


@given(st.floats(0.1, 400.0))
def test_inches_and_millimetres_go_round(mm):
    # The inch is 25.4 mm exactly (1959).
    assert millimetres(inches(mm)) == pytest.approx(mm, rel=1e-12)


@given(st.integers(1, 16 * 12))
def test_ruler_fractions_go_round(sixteenths):
    words = inch_fraction(sixteenths * 25.4 / 16).removesuffix(" in")
    whole, _, part = words.rpartition("-") if "/" in words else (words, "", "")
    value = float(whole or 0)
    if part:
        top, bottom = part.split("/")
        value += int(top) / int(bottom)
    assert value == pytest.approx(sixteenths / 16)
