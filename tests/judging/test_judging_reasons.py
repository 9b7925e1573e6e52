"""Reasons held against facts: a word is borne out only by a real difference that speaks for the plate named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.judging.judging_plates import by_hand, document
from tests.judging.planted import keep_class

from truelobe.judging.facts import Plate, pair_facts
from truelobe.judging.reasons import ADVANTAGES, PairReasons, Reasons, hold, spoken, unsaid
from truelobe.judging.reasons_kept import KeptReasons
from truelobe.judging.records import WHOLE_CRITIQUE
from truelobe.judging.removal import remove_student
from truelobe.judging.roster import Roster
from truelobe.judging.sessions import Sessions
from truelobe.messages import TruelobeError
from truelobe.store import open_store
from truelobe.store.models_judging import ReasonsRow

# Plate 1 is 10 mm larger across, with errors of half a millimeter; both are 95 mm long; plate 2 is firmer; scars
# were looked at on neither.
LARGE = Plate(1, document([88.0, 89.0, 90.0]), by_hand({"firmness": ["firm", "soft", "soft"]}))
SMALL = Plate(2, document([78.0, 79.0, 80.0], sha="b"), by_hand({"firmness": ["firm", "firm", "firm"]}))
FACTS = pair_facts(LARGE, SMALL)
PLACINGS = st.permutations("1234").map("".join)
WORDS = st.lists(st.sampled_from(sorted(ADVANTAGES)), unique=True, max_size=6).map(tuple)


@pytest.mark.parametrize(
    ("reasons", "grants", "verdict"),
    [
        (("diameter",), (), "borne out"),
        ((), ("diameter",), "the other way"),
        (("firmness",), (), "the other way"),
        ((), ("firmness",), "borne out"),
        (("length",), (), "too close"),
        (("scars",), (), "not known"),
    ],
)
def test_a_word_is_held_against_the_fact_of_its_name(reasons, grants, verdict):
    (one,) = hold(PairReasons(1, 2, reasons, grants), FACTS)
    assert one.verdict == verdict
    assert one.plate == (1 if reasons else 2)
    assert bool(one.says) == (verdict != "not known")


def test_the_order_of_placing_does_not_change_what_is_true():
    # Whoever places the small plate first and says that it is larger hears that the facts say it of the other.
    (one,) = hold(PairReasons(2, 1, reasons=("diameter",)), FACTS)
    assert (one.plate, one.verdict) == (2, "the other way")


def test_real_differences_that_nobody_spoke_of_are_named_and_no_others():
    left = unsaid(PairReasons(1, 2, reasons=("diameter",)), FACTS)
    assert [fact.name for fact in left] == ["firmness"]
    assert unsaid(PairReasons(1, 2, reasons=("diameter",), grants=("firmness",)), FACTS) == ()


def test_a_pair_of_which_nothing_is_known_bears_nothing_out():
    facts = pair_facts(Plate(3), Plate(4))
    said = PairReasons(3, 4, tuple(ADVANTAGES), tuple(ADVANTAGES))
    assert {one.verdict for one in hold(said, facts)} == {"not known"}
    assert unsaid(said, facts) == ()


def test_they_are_said_aloud_from_the_top_pair_down():
    reasons = Reasons.none_yet("3142").with_pair(0, ("diameter", "shape"), ("firmness",)).with_pair(2, (), ())
    assert spoken(reasons, "Red bells") == (
        "I place this class of red bells 3-1-4-2.",
        "I place 3 over 1 because 3 is larger across and better shaped. I grant that 1 is firmer.",
        "I place 1 over 4.",
        "I place 4 over 2.",
    )


def test_every_word_reads_after_plate_is():
    assert all(words and words[0].islower() and "(" not in words for words in ADVANTAGES.values())
    assert len(set(ADVANTAGES.values())) == len(ADVANTAGES)


@given(placing=PLACINGS, words=st.lists(WORDS, min_size=6, max_size=6), held=st.booleans())
def test_what_is_kept_is_what_was_said(placing, words, held):
    reasons = Reasons.none_yet(placing)
    for n in range(3):
        reasons = reasons.with_pair(n, words[2 * n], words[2 * n + 1])
    reasons = Reasons(reasons.pairs, held)
    assert Reasons.from_document(reasons.document()) == reasons
    assert reasons.placing == placing


def test_words_of_another_edition_are_left_out_and_changing_one_closes_the_facts():
    written = Reasons.none_yet("1234").with_pair(1, ("diameter",), ()).document() | {"held": True}
    written["pairs"][1]["reasons"].append("glow")
    read = Reasons.from_document(written)
    assert read.pairs[1].reasons == ("diameter",)
    assert read.held
    assert not read.with_pair(1, ("length",), ()).held


def placed(store, placing="1234"):
    one = keep_class(store)
    student, _ = Roster(store).add("Robin")
    sessions = Sessions(store)
    session = sessions.begin_alone(one, student.uid, any_class=True)
    sessions.tap(session.uid, student.uid, "a", placing, submit=len(placing) == 4)
    return one, student, sessions.get(session.uid)


def test_reasons_are_kept_with_the_placing_and_go_with_the_student(tmp_path, database_url):
    store = open_store(tmp_path, database_url)
    _, student, session = placed(store)
    assert session.critique_step == WHOLE_CRITIQUE
    kept = KeptReasons(store)
    (placing,) = kept.placings(student.uid)
    assert kept.of(placing.sheet) == Reasons.none_yet("1234")
    said = Reasons.none_yet("1234").with_pair(0, ("diameter",), ("firmness",))
    kept.keep(placing.sheet, said)
    kept.keep(placing.sheet, said.with_pair(2, ("length",), ()))
    assert KeptReasons(open_store(tmp_path, database_url)).of(placing.sheet).pairs[2].reasons == ("length",)
    remove_student(store, student.uid)
    with store.database.read() as connection:
        assert connection.execute(ReasonsRow.__table__.select()).all() == []
    with pytest.raises(TruelobeError) as gone:
        kept.keep(placing.sheet, said)
    assert gone.value.message.code == "not-found"


def test_reasons_for_another_placing_do_not_come_back(tmp_path, database_url):
    # A paper card typed anew changes the placing: what was said of other pairs is no reason for these.
    store = open_store(tmp_path, database_url)
    _, student, session = placed(store)
    kept = KeptReasons(store)
    (placing,) = kept.placings(student.uid)
    kept.keep(placing.sheet, Reasons.none_yet("1234").with_pair(0, ("diameter",), ()))
    Sessions(store).paper(session.uid, student.uid, "4321")
    (renewed,) = kept.placings(student.uid)
    assert kept.of(renewed.sheet) == Reasons.none_yet("4321")


def test_nothing_can_be_said_while_the_key_is_closed(tmp_path, database_url):
    store = open_store(tmp_path, database_url)
    _, student, session = placed(store, placing="12")
    assert session.critique_step == 0
    assert KeptReasons(store).placings(student.uid) == ()
