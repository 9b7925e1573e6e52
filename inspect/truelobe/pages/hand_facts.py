"""The part of "Measure a plate" that asks what a photo can't show.

At a table, with wet hands: one tap for a sound plate, three for a fault (which pepper, what, how bad), undo beside
it. Everything stands in the draft's row; nothing here lives in the page alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial

import streamlit as st

from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.vocabulary import FACTS, LADDER, NONE
from truelobe.messages import TruelobeError
from truelobe.pages import answer, rule_shelf, style
from truelobe.pages.answer import Body
from truelobe.report.graded_words import hand_lines
from truelobe.store import Draft, Store

_WORDS_FIRST = ("firmness", "freshness", "cleanness", "shape")


def show(store: Store, draft: Draft, *, picture: bytes = b"") -> None:
    """Draw the part for one measured plate.

    Parameters
    ----------
    store : Store
    draft : Draft
        Its body holds ``document``, ``hand_facts`` and ``settings``; this part adds ``grading``.
    picture : bytes
        The plate with numbered outlines, for the sheet.
    """
    document = draft.body["document"]
    if not document or not document["peppers"]:
        return
    try:
        _draw(store, draft, picture)
    except TruelobeError as error:
        style.say(error.message)


def _draw(store: Store, draft: Draft, picture: bytes) -> None:
    own = rule_shelf.habits(store)
    hand = HandFacts.from_document(draft.body.get("hand_facts") or None)
    st.subheader("What hand and nose found")
    _all_looked_at(store, draft, hand, own)
    _exception(store, draft, hand)
    _last(store, draft, hand)
    lines = hand_lines(_peppers(draft), hand)
    style.show_html("<ul>" + "".join(f"<li>{style.text(line)}</li>" for line in lines) + "</ul>")
    _numbers(store, draft)
    answer.show(store, draft, hand, picture)


def _add(store: Store, draft: Draft, how: Callable[[HandFacts], HandFacts]) -> None:
    def change(body: Body) -> None:
        body["hand_facts"] = how(HandFacts.from_document(body.get("hand_facts") or None)).document()

    answer.write(store, draft, change)


def _peppers(draft: Draft) -> list[int]:
    return [one["number"] for one in draft.body["document"]["peppers"]]


def _all_looked_at(store: Store, draft: Draft, hand: HandFacts, own: rule_shelf.Habits) -> None:
    at = datetime.now().astimezone()
    today = [e for e in hand.entries if e.at.date() == at.date()]
    st.button(
        "All looked at, nothing found",
        type="primary" if not today else "secondary",
        key="nothing-found",
        width="stretch",
        on_click=partial(_sweep, store, draft, own.looked_at),
    )
    st.caption(
        f"One tap says so of {len(own.looked_at)} things on every pepper. Then tap what is different; what you "
        "tapped already stays. Set the list on the page Rules."
    )


def _sweep(store: Store, draft: Draft, facts: Sequence[str]) -> None:
    at = datetime.now().astimezone()
    _add(store, draft, lambda hand: hand.nothing_found(_peppers(draft), at, facts))


def _exception(store: Store, draft: Draft, hand: HandFacts) -> None:
    number = st.pills("Pepper", _peppers(draft), key=f"hand-pepper-{draft.uid}")
    if number is None:
        st.caption("Tap a pepper to record what is different on it.")
        return
    names = [name for name, fact in FACTS.items() if fact.kind != "number"]
    names.sort(key=lambda name: name not in _WORDS_FIRST)
    # The same words for every pepper: under other words it would be another field, and a quick tap would be lost.
    fact = st.pills(
        "What is different on it",
        names,
        format_func=lambda name: FACTS[name].label,
        key=f"hand-fact-{draft.uid}",
    )
    if fact is None:
        return
    words = list(FACTS[fact].words)
    now = hand.value(number, fact)
    key = f"hand-word-{draft.uid}-{number}-{fact}-{len(hand.entries)}"
    st.pills(
        f"{FACTS[fact].label}: {now}",
        [*words, "not checked"],
        format_func=_word_label,
        key=key,
        on_change=partial(_record, store, draft, number, fact, key),
    )
    if FACTS[fact].words == LADDER:
        st.caption(
            "In your own judgment: slight detracts hardly; injury more than slightly; damage materially; serious "
            "damage seriously, from how it looks, eats or ships."
        )


def _word_label(word: str) -> str:
    return "checked, none" if word == NONE else word


def _record(store: Store, draft: Draft, number: int, fact: str, key: str) -> None:
    word = st.session_state[key]
    if word is not None:
        _add(store, draft, lambda facts: facts.record(number, fact, word, datetime.now().astimezone()))
        st.session_state[f"hand-fact-{draft.uid}"] = None


def _last(store: Store, draft: Draft, hand: HandFacts) -> None:
    if not hand.entries:
        return
    last = hand.entries[-1]
    many = sum(e.at == last.at for e in hand.entries)
    what = "all looked at" if many > 1 else f"number {last.pepper}, {FACTS[last.fact].label.lower()}: {last.value}"
    st.button(f"Undo: {what}", key="hand-undo", on_click=lambda: _add(store, draft, HandFacts.undone))


def _numbers(store: Store, draft: Draft) -> None:
    with (
        st.expander("Lobes, weight, and sizes measured by hand"),
        st.form(f"hand-numbers-{draft.uid}", border=False),
    ):
        number = st.segmented_control("Of pepper", _peppers(draft), default=_peppers(draft)[0])
        facts = {name: fact for name, fact in FACTS.items() if fact.kind == "number"}
        typed = {
            name: st.number_input(
                f"{fact.label}, {fact.unit}" if fact.unit else fact.label,
                min_value=float(fact.low),
                max_value=float(fact.high),
                value=None,
                step=1.0 if name in ("lobes", "weight") else 0.1,
                format="%.0f" if name in ("lobes", "weight") else "%.1f",
            )
            for name, fact in facts.items()
        }
        tool = st.segmented_control("Sizes read with", ["ruler or ring", "caliper"], default="ruler or ring")
        if st.form_submit_button("Record") and number is not None:
            at, u = datetime.now().astimezone(), 0.1 if tool == "caliper" else 0.6
            given = {name: value for name, value in typed.items() if value is not None}

            def all_typed(facts_now: HandFacts) -> HandFacts:
                for name, value in given.items():
                    facts_now = facts_now.record(
                        number, name, value, at, u=u if FACTS[name].unit == "mm" else None
                    )
                return facts_now

            _add(store, draft, all_typed)
            st.rerun()
