"""Page "Give reasons": why each plate stands over the next, said pair by pair and held against the facts."""

from __future__ import annotations

from functools import partial

import streamlit as st

from truelobe.judging.classes import Classes
from truelobe.judging.facts import PairFact, pair_facts
from truelobe.judging.reasons import ADVANTAGES, Held, PairReasons, Reasons, hold, spoken, unsaid
from truelobe.judging.reasons_kept import KeptReasons, OpenPlacing
from truelobe.judging.roster import Roster
from truelobe.messages import TruelobeError
from truelobe.pages import navigation, place_class, style
from truelobe.pages.gallery_store import opened_store
from truelobe.pages.nickname import choose_student
from truelobe.store import Store

# Each verdict with the sign of its kind: met, missed, too close, or the dotted ring of what was not told.
_SIGNS = {"borne out": "met", "the other way": "missed", "too close": "too close", "not known": "other"}
_CHANGED = "reasons-changed"
_VERDICTS = {
    "borne out": "borne out",
    "the other way": "the facts say it of the other plate",
    "too close": "too close to say",
    "not known": "nobody measured or checked this",
}


def show() -> None:
    """Draw the page."""
    st.title("Give reasons")
    try:
        _draw(opened_store())
    except TruelobeError as error:
        style.say(error.message)
    style.foot(
        "Practice aid, not an inspection. Terms, order and delivery are for a person to judge; a contest's own "
        "officials prevail."
    )


def _draw(store: Store) -> None:
    students = {student.uid: student for student in Roster(store).all()}
    if not students:
        style.lead("Put a nickname on the roster first; then say here why you placed a class as you did.")
        navigation.link("team", "Add nicknames")
        return
    student = choose_student("Who gives reasons?", students, key="reasons-who")
    if student is None:
        return
    kept = KeptReasons(store)
    placings = {one.sheet.uid: one for one in kept.placings(student.uid)}
    if not placings:
        style.lead("A class stands here once you have placed all four plates and its key is open.")
        navigation.link("place_class", "Place a class")
        return
    chosen = st.selectbox(
        "Which placing?",
        list(placings),
        format_func=lambda one: f"{placings[one].one.title}: {'-'.join(placings[one].sheet.placing)}",
        key=f"reasons-for-{student.uid}",
    )
    _give(store, kept, placings[chosen])


def _give(store: Store, kept: KeptReasons, placing: OpenPlacing) -> None:
    reasons = _as_chosen(kept, placing)
    _plates(placing)
    facts = _facts(store, placing, reasons) if reasons.held else ((),) * len(reasons.pairs)
    for n, pair in enumerate(reasons.pairs):
        st.subheader(f"{pair.better} over {pair.worse}")
        _ask(placing, n, pair)
        if reasons.held:
            _answer(pair, facts[n])
    st.subheader("Say it aloud")
    style.show_html("".join(f"<p>{style.text(line)}</p>" for line in spoken(reasons, placing.one.produce)))
    _hold(kept, placing, reasons)


def _plates(placing: OpenPlacing) -> None:
    """Show the four plates as they were placed, best first."""
    view = place_class.student_desk().finished(placing.sheet.student_uid, placing.session.uid)
    pictures = {plate["number"]: plate["views"][0]["src"] for plate in view["plates"] if plate["views"]}
    if not pictures:
        return
    placed = [int(digit) for digit in placing.sheet.placing]
    for row in (placed[:2], placed[2:]):  # on a phone a row's two pictures stand one below the other
        for column, number in zip(st.columns(2), row, strict=True):
            if number in pictures:
                picture = place_class.picture(pictures[number], placing.sheet.student_uid)
                column.image(picture, caption=f"Plate {number}", width="stretch", alt=f"Plate {number}")


def _ask(placing: OpenPlacing, n: int, pair: PairReasons) -> None:
    """Ask what speaks for either plate."""
    labels = (
        f"Plate {pair.better} is placed over {pair.worse} because it is",
        f"I grant that plate {pair.worse} is",
    )
    for name, label, said in zip(_names(placing, pair), labels, (pair.reasons, pair.grants), strict=True):
        st.multiselect(
            label,
            list(ADVANTAGES),
            default=list(said),
            format_func=lambda one: ADVANTAGES[one],
            placeholder="Choose one or more",
            key=name,
            on_change=partial(_changed, n),
        )


def _names(placing: OpenPlacing, pair: PairReasons) -> tuple[str, str]:
    key = f"{placing.sheet.uid}-{pair.better}{pair.worse}"
    return f"reasons-{key}", f"grants-{key}"


def _changed(n: int) -> None:
    """Note which pair was spoken of: what is kept in a callback could not say why it failed."""
    st.session_state[_CHANGED] = n


def _as_chosen(kept: KeptReasons, placing: OpenPlacing) -> Reasons:
    """Keep what was just chosen for one pair, and return what is kept of all."""
    reasons = kept.of(placing.sheet)
    n = st.session_state.pop(_CHANGED, None)
    chosen = () if n is None else [st.session_state.get(name) for name in _names(placing, reasons.pairs[n])]
    if n is None or None in chosen:
        return reasons
    reasons = reasons.with_pair(n, *chosen)
    kept.keep(placing.sheet, reasons)
    return reasons


def _facts(store: Store, placing: OpenPlacing, reasons: Reasons) -> tuple[tuple[PairFact, ...], ...]:
    plates = Classes(store).plates(placing.one)
    return tuple(pair_facts(plates[pair.better - 1], plates[pair.worse - 1]) for pair in reasons.pairs)


def _answer(pair: PairReasons, facts: tuple[PairFact, ...]) -> None:
    """Say of each word what the facts say, and what was left unsaid."""
    held, left = hold(pair, facts), unsaid(pair, facts)
    if held:
        style.show_html("".join(f"<p>{_verdict(one)}</p>" for one in held))
    if left:
        st.markdown("Not said:\n\n" + "\n".join(f"- {fact.says}" for fact in left))
    if not held and not left:
        st.caption("Nothing on record sets the two apart: say what you saw.")


def _verdict(one: Held) -> str:
    said = style.text(f"Plate {one.plate} is {ADVANTAGES[one.name]}")
    fact = f" {style.text(one.says)}" if one.says else ""
    return f"{style.sign(_SIGNS[one.verdict])} <b>{said}</b>: {_VERDICTS[one.verdict]}.{fact}"


def _hold(kept: KeptReasons, placing: OpenPlacing, reasons: Reasons) -> None:
    if reasons.held:
        st.caption("Change a word, and they can be held against the facts again.")
    elif st.button(
        "Hold it against the facts", key="hold", type="primary", width="stretch", disabled=reasons.empty
    ):
        kept.keep(placing.sheet, Reasons(reasons.pairs, held=True))
        st.rerun()
