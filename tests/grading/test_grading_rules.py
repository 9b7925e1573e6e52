"""The rule sets as data: published figures, schema, copies, blanks."""

from __future__ import annotations

import json
from datetime import date

import pytest

from truelobe.grading import load_rule_set, read_rule_set, shipped_rule_sets
from truelobe.grading.photo_limits import photo_limits
from truelobe.grading.rule_edit import blanks, copy_set, fields, with_value
from truelobe.messages import TruelobeError

US, NY, SA, HOUSE = shipped_rule_sets()
TODAY = date(2026, 5, 14)


def needed(rules, grade, kind, fact):
    found = next(g for g in rules.grades if g.id == grade)
    return next(r for r in found.requirements if (r.kind, r.fact) == (kind, fact))


@pytest.mark.parametrize(
    ("grade", "quantity", "inches"),
    [
        # U.S. Standards for Grades of Sweet Peppers, effective 17 November 2005, AMS grade page.
        ("fancy", "diameter", 3.0),
        ("fancy", "length", 3.5),
        ("no-1", "diameter", 2.5),
        ("no-1", "length", 2.5),
    ],
)
def test_us_sizes_are_those_of_the_standard(grade, quantity, inches):
    assert needed(US, grade, "size", quantity).value == pytest.approx(25.4 * inches, abs=1e-9)


def test_the_size_of_no_2_was_not_read_and_stays_blank():
    for quantity in ("diameter", "length"):
        limit = needed(US, "no-2", "size", quantity)
        assert limit.value is None
        assert limit.confidence == "not seen"
        assert not limit.none_set


def test_freezing_injury_is_a_flat_exclusion_in_fancy_only():
    # AMS grade page: Fancy is free from freezing injury; No. 1 from damage by it.
    assert needed(US, "fancy", "free", "freezing")
    assert needed(US, "no-1", "ladder", "freezing").free_from == "damage"
    assert needed(US, "no-2", "ladder", "freezing").free_from == "serious damage"


def test_the_us_edition_is_dated_in_november():
    # Gunter and Maynard, Purdue, date the edition "11-17-05"; 70 FR 60486 was published 18 October 2005.
    assert US.document()["date"] == "2005-11-17"
    assert "17 November 2005" in US.edition


@pytest.mark.parametrize(
    ("fact", "measure", "value"),
    [
        # 1 NYCRR 162.26: scars 5/8 in circle in total, one 3/8 in; sunburn 5 %; healed break 1/4 in.
        ("scars", "total area", 3.141592653589793 / 4 * (0.625 * 25.4) ** 2),
        ("scars", "largest single", 0.375 * 25.4),
        ("sunburn", "share of surface", 0.05),
        ("mechanical", "largest single", 0.25 * 25.4),
    ],
)
def test_new_york_injury_limits(fact, measure, value):
    limit = next(line for line in NY.limits(fact, "injury") if line.measure == measure)
    assert limit.value == pytest.approx(value, rel=1e-4)


def test_new_york_scar_limits_are_written_for_the_size_of_us_fancy():
    # 1 NYCRR 162.26: a pepper 3-1/2 in long and 3 in in diameter.
    assert {line.reference_mm for line in NY.limits("scars", "injury")} == {(76.2, 88.9)}


def test_south_african_diameters_follow_the_type():
    # Regulation R364, part II.9: elongated 30, square blunt 50, square pointed 40, flat 55 mm.
    limit = needed(SA, "class-1", "size", "diameter")
    assert limit.by_type == {"elongated": 30.0, "square blunt": 50.0, "square pointed": 40.0, "flat": 55.0}
    assert SA.diameter_at == "stalk end"


def test_the_house_rule_says_it_has_no_published_source():
    # Common practice, no published source.
    rule = HOUSE.grades[0].requirements[0]
    assert rule.value == 0.15
    assert rule.confidence == "common practice"
    assert "no published source" in HOUSE.document()["sources"]["practice"]["title"]


def test_every_figure_that_was_not_read_is_blank_and_every_other_has_a_source():
    def walk(node):
        if isinstance(node, dict):
            if "confidence" in node:
                numbers = [node.get(k) for k in ("value_mm", "value", "percent", "under", "words") if k in node]
                if node["confidence"] == "not seen":
                    assert not any(numbers), node
                elif any(numbers):
                    assert node["source"] or node["confidence"] == "common practice", node
            for child in node.values():
                walk(child)
        elif isinstance(node, list):
            for child in node:
                walk(child)

    for rules in (US, NY, SA, HOUSE):
        walk(rules.document())


def test_no_set_takes_a_published_name_for_the_area_rule():
    for rules in (US, NY, SA):
        assert not any(r.kind == "colour_area" for g in rules.grades for r in g.requirements)


def test_a_copy_is_the_coachs_own_and_remembers_where_it_came_from():
    own = copy_set(US, "Fall practice")
    assert own.id == "own-fall-practice"
    assert own.document()["copied_from"] == {"id": US.id, "revision": 1, "edition": US.edition}
    assert own.grades == US.grades
    assert copy_set(US, "Fall practice", taken=[own.id]).id == "own-fall-practice-2"


def test_filling_a_blank_keeps_its_source_and_makes_the_next_revision():
    own = copy_set(US, "Fall practice")
    field = next(f for f in blanks(own) if f.label == "Scars, damage: total area")
    filled = with_value(own, field, 285.0, source="AMS, Sweet Peppers, section read in the library", on=TODAY)
    assert filled.revision == 2
    assert filled.id == own.id
    assert filled.limits("scars", "damage")[0].value == 285.0
    line = next(w for w in filled.document()["ladder"] if (w["fact"], w["level"]) == ("scars", "damage"))
    assert line["confidence"] == "read by the coach"
    assert filled.document()["sources"][line["source"]]["read"] == "2026-05-14"
    assert len(blanks(filled)) == len(blanks(own)) - 1
    assert filled.stamp() != own.stamp()


def test_a_blank_size_can_be_found_to_have_no_limit():
    own = copy_set(US, "Fall practice")
    field = next(f for f in blanks(own) if f.label == "U.S. No. 2: smallest diameter")
    read = with_value(own, field, None, source="the full text, read on paper", on=TODAY, none_set=True)
    assert needed(read, "no-2", "size", "diameter").none_set
    assert field.label not in {f.label for f in blanks(read)}


def test_the_house_threshold_can_be_changed_in_place():
    field = next(f for f in fields(HOUSE) if f.unit == "fraction")
    changed = with_value(HOUSE, field, 0.1, source="what our county's judge told us", on=TODAY)
    assert (changed.id, changed.revision) == (HOUSE.id, 2)
    assert changed.grades[0].requirements[0].value == 0.1


@pytest.mark.parametrize(
    ("rules", "value", "source", "code"),
    [
        (US, 285.0, "a good source", "rules-published"),
        (copy_set(US, "own"), 285.0, " ", "rules-source"),
        (copy_set(US, "own"), -1.0, "a good source", "rules-value"),
        (copy_set(US, "own"), 1e9, "a good source", "rules-value"),
        (copy_set(US, "own"), float("nan"), "a good source", "rules-value"),
    ],
)
def test_a_change_that_cannot_be_right_is_refused_in_words(rules, value, source, code):
    field = next(f for f in fields(rules) if f.unit == "mm2")
    with pytest.raises(TruelobeError) as refused:
        with_value(rules, field, value, source=source, on=TODAY)
    assert refused.value.message.code == code


def test_a_nameless_copy_is_refused():
    with pytest.raises(TruelobeError, match="name"):
        copy_set(US, "   ")


def test_unknown_words_and_broken_files_are_refused(tmp_path):
    document = US.document()
    document["grades"][0]["requirements"][2]["accepts"] = ["rock hard"]
    with pytest.raises(TruelobeError) as wrong:
        read_rule_set(document)
    assert wrong.value.message.code == "rules-unreadable"
    path = tmp_path / "half.json"
    path.write_text(json.dumps(US.document())[:-5])
    with pytest.raises(TruelobeError) as broken:
        load_rule_set(path)
    assert broken.value.message.code == "rules-unreadable"
    with pytest.raises(TruelobeError) as missing:
        load_rule_set(tmp_path / "none.json")
    assert missing.value.message.code == "rules-missing"


def test_a_set_survives_its_document():
    for rules in (US, NY, SA, HOUSE):
        assert read_rule_set(rules.document()) == rules


def test_a_photo_alone_decides_the_sizes_and_the_house_rule():
    # U.S. standard, effective 17 November 2005: 2-1/2 and 3 in, 2-1/2 and 3-1/2 in; common practice: 15 %.
    limits = [(limit.rule, limit.quantity, limit.value) for limit in photo_limits(US, HOUSE)]
    assert limits == [
        ("U.S. No. 1 size", "diameter", 63.5),
        ("U.S. Fancy size", "diameter", 76.2),
        ("U.S. No. 1 size", "length", 63.5),
        ("U.S. Fancy size", "length", 88.9),
        ("house color rule", "not_fully_coloured", 0.15),
    ]
    # A stalk end cannot be read from a photo of the whole pepper.
    assert [limit.quantity for limit in photo_limits(SA, HOUSE)] == ["not_fully_coloured"]
