"""Properties of grading: a tighter limit, a worse fact or an unknown never helps."""

from __future__ import annotations

import copy
from dataclasses import replace
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.grading.grading_plates import AT, looked_at, pepper

from truelobe.figures import from_normal
from truelobe.grading import Case, HandFacts, grade_pepper, load_rule_set, read_rule_set, shipped_rule_sets
from truelobe.grading.blemish import Blemish
from truelobe.grading.pepper import PepperGrade
from truelobe.grading.vocabulary import FACTS

SETS = shipped_rule_sets()
US = load_rule_set()
WORDS = [(name, word) for name, fact in FACTS.items() for word in (*fact.words, "not checked") if fact.words]
LATER = AT + timedelta(minutes=5)

peppers = st.builds(
    pepper,
    diameter=st.floats(40, 110),
    length=st.one_of(st.none(), st.floats(40, 130)),
    uncoloured=st.floats(0, 1),
    u=st.floats(0.1, 4),
    colour=st.sampled_from(["red", "green", "yellow", None]),
)
some_words = st.lists(st.sampled_from(WORDS), max_size=6)
colours = st.sampled_from([None, "red", "green", "mixed"])
types = st.sampled_from([None, "flat", "square blunt"])


def rank(grade: PepperGrade) -> int:
    """Height of the grade reached: 0 for none."""
    ids = [g.id for g in grade.grades]
    return 0 if grade.highest_id is None else len(ids) - ids.index(grade.highest_id)


def with_requirements(rules, at, which, change):
    """Return the rules with some requirements of one grade changed."""
    grade = rules.grades[at]
    changed = replace(grade, requirements=tuple(change(r) if which(r) else r for r in grade.requirements))
    return replace(rules, grades=(*rules.grades[:at], changed, *rules.grades[at + 1 :]))


def case(fruit, words, colour, kind, base=None) -> Case:
    hand = looked_at(1) if base is None else base
    for n, (fact, word) in enumerate(words):
        hand = hand.record(1, fact, word, AT + timedelta(seconds=n + 1))
    return Case(fruit, hand, colour, kind)


@settings(max_examples=60, deadline=None)
@given(peppers, some_words, colours, types, st.sampled_from(WORDS), st.sampled_from(SETS))
def test_a_worse_word_never_improves_a_grade(fruit, words, colour, kind, worse, rules):
    before = case(fruit, words, colour, kind)
    fact, word = worse
    steps = [*FACTS[fact].words, "not checked"]
    now = before.word(fact)[0]
    bad, good = sorted((word, now), key=steps.index, reverse=True)
    with_bad = Case(fruit, before.hand.record(1, fact, bad, LATER), colour, kind)
    with_good = Case(fruit, before.hand.record(1, fact, good, LATER), colour, kind)
    if "not checked" not in (bad, good):
        assert rank(grade_pepper(with_bad, rules)) <= rank(grade_pepper(with_good, rules))


@settings(max_examples=60, deadline=None)
@given(peppers, some_words, colours, st.sampled_from(sorted(FACTS)), st.sampled_from(SETS))
def test_taking_a_word_back_never_improves_a_grade(fruit, words, colour, fact, rules):
    before = case(fruit, words, colour, "flat")
    after = Case(fruit, before.hand.record(1, fact, "not checked", LATER), colour, "flat")
    assert rank(grade_pepper(after, rules)) <= rank(grade_pepper(before, rules))


@settings(max_examples=60, deadline=None)
@given(peppers, some_words, colours, st.floats(1, 400), st.sampled_from(["scars", "sunburn", "mechanical"]))
def test_a_marked_blemish_never_improves_a_grade(fruit, words, colour, area, fact):
    before = case(fruit, words, colour, "flat")
    mark = Blemish(
        fact, from_normal(area, 0.08 * area), from_normal((area * 1.27) ** 0.5, 0.5), from_normal(0.01, 0.001), 0.0
    )
    for rules in SETS:
        after = Case(before.pepper, before.hand, colour, "flat", (mark,))
        assert rank(grade_pepper(after, rules)) <= rank(grade_pepper(before, rules))


@settings(max_examples=60, deadline=None)
@given(peppers, some_words, colours, st.integers(0, 2), st.sampled_from(["diameter", "length"]), st.floats(0, 30))
def test_tightening_a_size_limit_never_improves_a_grade(fruit, words, colour, grade, quantity, by):
    tighter = with_requirements(
        US,
        grade,
        lambda r: r.kind == "size" and r.fact == quantity and r.value is not None,
        lambda r: replace(r, value=r.value + by),
    )
    one = case(fruit, words, colour, None)
    assert rank(grade_pepper(one, tighter)) <= rank(grade_pepper(one, US))


@settings(max_examples=40, deadline=None)
@given(peppers, st.floats(0.01, 0.99), st.floats(0.0, 0.5))
def test_tightening_the_house_color_rule_never_improves_a_grade(fruit, under, by):
    document = load_rule_set("house-rules").document()
    loose, tight = copy.deepcopy(document), copy.deepcopy(document)
    loose["grades"][0]["requirements"][0]["under"] = under
    tight["grades"][0]["requirements"][0]["under"] = max(under - by, 0.001)
    one = Case(fruit)
    assert rank(grade_pepper(one, read_rule_set(tight))) <= rank(grade_pepper(one, read_rule_set(loose)))


@settings(max_examples=40, deadline=None)
@given(peppers, some_words, colours)
def test_a_stricter_word_on_the_ladder_never_improves_a_grade(fruit, words, colour):
    stricter = with_requirements(US, 1, lambda r: r.kind == "ladder", lambda r: replace(r, free_from="injury"))
    one = case(fruit, words, colour, None)
    assert rank(grade_pepper(one, stricter)) <= rank(grade_pepper(one, US))


@settings(max_examples=60, deadline=None)
@given(peppers, colours, st.sampled_from(SETS))
def test_what_is_unknown_never_passes(fruit, colour, rules):
    nothing = Case(fruit, HandFacts(), colour)
    for outcome in grade_pepper(nothing, rules).outcomes:
        if outcome.kind in ("word", "free", "ladder"):
            assert outcome.outcome == "not checked"
            assert not outcome.passes
    unseen = {**fruit, "diameter_mm": None, "length_mm": None, "not_fully_coloured": None, "colour": None}
    for outcome in grade_pepper(Case(unseen, looked_at(1), colour), rules).outcomes:
        if outcome.kind in ("size", "colour_area") or (outcome.kind == "colour_any" and colour != "mixed"):
            assert not outcome.passes


@settings(max_examples=40, deadline=None)
@given(peppers, some_words)
def test_each_word_of_a_grade_is_a_known_outcome_with_a_reason(fruit, words):
    for rules in SETS:
        graded = grade_pepper(case(fruit, words, "red", None), rules)
        for outcome in graded.outcomes:
            assert outcome.passes == (outcome.says == "" or outcome.outcome in ("met", "not applicable"))
            assert outcome.label
            if not outcome.passes:
                assert outcome.says
        assert " is U.S." not in graded.answer
