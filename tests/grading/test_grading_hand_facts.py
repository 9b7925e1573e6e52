"""Hand facts: nothing overwritten, nothing assumed, undo, later days beside the first."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import ValidationError
from tests.grading.grading_plates import AT, looked_at

from truelobe import schema
from truelobe.grading import Entry, HandFacts
from truelobe.grading.vocabulary import FACTS, LADDER, USUAL_LIST, sides
from truelobe.messages import TruelobeError

MINUTE = timedelta(minutes=1)


def test_the_words_are_those_of_the_standard_and_the_trade():
    # Shape: words of the U.S. grades and one below; ladder: none, slight, injury, damage, serious damage.
    assert FACTS["shape"].words == (
        "well shaped", "fairly well shaped", "misshapen but not seriously", "seriously misshapen"
    )  # fmt: skip
    assert LADDER == ("none", "slight", "injury", "damage", "serious damage")
    # Common practice, no published source.
    assert FACTS["firmness"].words == ("firm", "fairly firm", "soft")
    assert FACTS["cleanness"].words == ("clean", "fairly clean", "dirty")


def test_default_sides_of_quality_and_condition():
    # Common practice, no published source.
    default = sides()
    for fact in ("insects", "shape", "scars", "sunburn", "sunscald"):
        assert default[fact] == "quality"
    for fact in ("freshness", "firmness", "crushed", "shriveled", "broken", "decay_wall", "bruised"):
        assert default[fact] == "condition"
    assert sides({"scars": "condition"})["scars"] == "condition"
    assert FACTS["sunburn"].disputed


def test_nothing_recorded_means_not_checked():
    assert HandFacts().value(1, "firmness") == "not checked"
    assert HandFacts().latest(1, "firmness") is None


def test_one_tap_covers_the_list_on_every_pepper():
    facts = looked_at(1, 2, 3, 4, 5)
    assert len(facts.entries) == 5 * len(USUAL_LIST)
    assert facts.value(4, "firmness") == "firm"
    assert facts.value(4, "scars") == "none"
    assert facts.value(4, "weight") == "not checked"
    assert facts.exceptions(4) == ()


def test_an_exception_tapped_first_is_not_wiped_out():
    facts = HandFacts().record(2, "scars", "damage", AT).nothing_found([1, 2], AT + MINUTE)
    assert facts.value(2, "scars") == "damage"
    assert [e.fact for e in facts.exceptions(2)] == ["scars"]


def test_undo_takes_back_one_tap():
    facts = looked_at(1, 2).record(1, "scars", "injury", AT + MINUTE)
    assert facts.undone() == looked_at(1, 2)
    assert facts.undone().undone() == HandFacts()
    assert HandFacts().undone() == HandFacts()


def test_a_word_can_be_taken_back():
    facts = looked_at(1).record(1, "firmness", "not checked", AT + MINUTE)
    assert facts.value(1, "firmness") == "not checked"


def test_a_later_day_stands_beside_the_first():
    facts = looked_at(1).record(1, "firmness", "fairly firm", AT + timedelta(days=2))
    assert len(facts.days()) == 2
    assert facts.value(1, "firmness", until=AT.date()) == "firm"
    assert facts.value(1, "firmness") == "fairly firm"
    ((first, last),) = facts.changes()
    assert (first.value, last.value) == ("firm", "fairly firm")


def test_a_permanent_mark_is_no_change_of_condition():
    facts = looked_at(1).record(1, "scars", "injury", AT + timedelta(days=2))
    assert facts.changes() == ()
    assert len(facts.changes({"scars": "condition"})) == 1


def test_a_hand_measurement_is_a_figure_by_hand():
    facts = HandFacts().record(1, "diameter", 78.4, AT, u=0.1)
    figure = facts.figure(1, "diameter")
    assert (figure.value, figure.standard_uncertainty, figure.by_hand) == (78.4, 0.1, True)
    assert HandFacts().record(1, "diameter", 78.4, AT).figure(1, "diameter").standard_uncertainty == 0.6


@pytest.mark.parametrize(
    ("fact", "value"),
    [
        ("firmness", "rock hard"), ("scars", "well shaped"), ("diameter", "wide"), ("diameter", 900.0),
        ("weight", float("nan")), ("taste", "good"),
    ],
)  # fmt: skip
def test_a_word_that_is_not_one_of_the_words_is_refused(fact, value):
    with pytest.raises(TruelobeError) as refused:
        HandFacts().record(1, fact, value, AT)
    assert refused.value.message.code == "hand-fact-wrong"


def test_a_time_needs_its_zone():
    with pytest.raises(TruelobeError):
        HandFacts().record(1, "firmness", "firm", datetime(2026, 5, 14))


def test_peppers_keep_their_facts_when_they_are_renumbered():
    facts = looked_at(1, 2, 3).record(3, "scars", "damage", AT + MINUTE).renumbered({3: 1, 2: 2})
    assert facts.value(1, "scars") == "damage"
    assert facts.value(3, "scars") == "not checked"


def entry(pepper, word, minutes):
    return Entry(pepper, word[0], word[1], datetime(2026, 5, 1, tzinfo=UTC) + minutes * MINUTE)


words = st.sampled_from([(n, w) for n, f in FACTS.items() for w in f.words])
entries = st.lists(st.builds(entry, st.integers(1, 6), words, st.integers(0, 9999)), max_size=12)


@given(entries)
def test_facts_survive_their_document(made):
    facts = HandFacts(tuple(made))
    written = json.loads(json.dumps(facts.document()))
    schema.check(written, "hand-facts-1")
    assert HandFacts.from_document(written) == facts
    assert HandFacts.from_document(None) == HandFacts()


def test_a_document_of_another_form_is_refused():
    with pytest.raises(ValidationError):
        HandFacts.from_document({"schema": 2, "entries": []})
    with pytest.raises(TruelobeError):
        HandFacts.from_document(
            {"schema": 1, "entries": [{"pepper": 1, "fact": "firmness", "value": "hot", "at": AT.isoformat()}]}
        )
