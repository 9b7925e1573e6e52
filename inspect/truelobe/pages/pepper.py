"""One pepper close up, and what the coach can put right on it: by finger, mouse or keyboard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any, Literal

import streamlit as st

from truelobe.grading.vocabulary import FACTS, MEASURED
from truelobe.pages import drafts, style, touch
from truelobe.pages.desk import Desk
from truelobe.pages.photo_settings import COLOURS
from truelobe.report import words
from truelobe.report.overlay import named_marks
from truelobe.request import Correction
from truelobe.store import Draft
from truelobe.units import millimetres

_SAID = {
    "remove": "removed a false pepper",
    "keep": "confirmed a doubtful pepper",
    "stem end": "marked a stem end",
    "axis": "marked an axis",
    "unmark": "took a mark off",
    "add": "added a pepper",
    "part": "parted two peppers",
    "merge": "joined two outlines",
}
_BY_TOOL: tuple[Literal["diameter", "length"], ...] = ("diameter", "length")
# What a reading with each tool is worth, as one standard uncertainty in mm: half of the tool's finest step as a
# rectangular law (JCGM 100, 4.3.7) and how well a hand finds the widest place of a lobed fruit.
TOOLS = {"caliper": 0.5, "ruler": 1.0, "ring or hole of known size": 0.8}


def said(correction: Mapping[str, Any]) -> str:
    """Say a correction in a few words."""
    if correction["kind"] == "colour":
        return f"color set to {correction['word']}"
    if correction["kind"] == "measured":
        return f"{correction['quantity']} {correction['value']:.1f} mm by hand"
    if correction["kind"] == "blemish":
        fact = correction.get("word")
        return f"marked {FACTS[fact].label.lower()}" if fact else "marked a blemish"
    return _SAID[correction["kind"]]


def ask(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    """Ask on a pepper's card what one tap settles: whether it is a pepper, which of two colors it is."""
    place, number = _at(one), one["number"]
    if one["doubtful"]:
        cut_off = "The photo's edge cuts it off. Measure what shows of it?"
        question = cut_off if one.get("cut_off") else "Is this one pepper, rightly outlined?"
        answers = {"Yes, keep it": Correction("keep", place), "No, remove it": Correction("remove", place)}
    elif one.get("other_colour"):
        question = "Which color is it?"
        colours = (one["colour"], one["other_colour"])
        answers = {colour.capitalize(): Correction("colour", place, word=colour) for colour in colours}
    else:
        return
    with st.container(key=f"ask-{number}", horizontal=True, vertical_alignment="center"):
        st.markdown(question)
        for answer, correction in answers.items():
            # The place is in the key: after a removal the next pepper has this number.
            key = f"answer-{answer}-{number}-{place}"
            st.button(answer, key=key, on_click=partial(_answered, bench, draft.uid, correction))


def _answered(bench: Desk, uid: str, correction: Correction) -> None:
    """Write an answer once, also where it was tapped twice before the page was drawn anew."""

    def once(body: drafts.Body) -> None:
        if body["corrections"][-1:] != [correction.document()]:
            drafts.correct(body, correction)

    drafts.change(bench.store, uid, once)


def look_at(uid: str, number: int) -> None:
    """Have a pepper's dialog open from the next run on, until it is closed or something is corrected."""
    st.session_state[f"looking-{uid}"] = number


def looking(uid: str) -> int | None:
    """Return the pepper whose dialog is open, or None."""
    number: int | None = st.session_state.get(f"looking-{uid}")
    return number


def look_away(uid: str) -> None:
    """Have no dialog open from the next run on."""
    for name in ("looking", "marking"):
        st.session_state.pop(f"{name}-{uid}", None)


def dialog(bench: Desk, uid: str) -> None:
    """Draw the open dialog, if one is. It stays open while the plate is measured again behind it."""
    number = looking(uid)
    if number is None:
        return

    @st.dialog(f"Pepper {number}", width="medium", on_dismiss=partial(look_away, uid))
    def draw() -> None:
        draft = bench.store.drafts.get(uid)
        one = next((p for p in draft.body["document"]["peppers"] if p["number"] == number), None)
        if one is not None:
            _dialog(bench, draft, one)

    draw()


def _dialog(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    number = one["number"]
    if _close_up(bench, draft, one):
        return
    if one["doubtful"] and st.button(
        "Outline is right: keep it", key=f"confirm-{number}", type="primary", width="stretch"
    ):
        _apply(bench, draft, Correction("keep", _at(one)))
    _marking_button(draft, number, "stem end", "Mark the stem end")
    _marking_button(draft, number, "axis", "Mark the axis: stem end and blossom end")
    axis = one.get("axis_px")
    if axis and st.button("Turn the stem end round", key=f"turn-{number}", width="stretch"):
        _apply(bench, draft, Correction("stem end", _at(one), to=_pair(axis["blossom_end"])))
    if st.button("Not a pepper: remove it", key=f"remove-{number}", width="stretch"):
        _apply(bench, draft, Correction("remove", _at(one)))
    _colour(bench, draft, one)
    with st.expander("Type a measurement by hand"):
        _measured_by_hand(bench, draft, one)
    with st.expander("Mark a blemish"):
        _blemish(bench, draft, one)
    with st.expander("The outline is wrong"):
        _outline(bench, draft, one)


def _marking_button(draft: Draft, number: int, what: str, label: str) -> None:
    if st.button(label, key=f"mark-{what}-{number}", width="stretch"):
        st.session_state[f"marking-{draft.uid}"] = f"{number} {what}"
        st.rerun(scope="fragment")


def _colour(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    names = [name for name in COLOURS if name]
    now = one["colour"] if one["colour"] in names else None
    chosen = st.pills(
        "Color", names, default=now, format_func=str.capitalize, key=f"colour-{draft.uid}-{one['number']}-{now}"
    )
    if chosen is not None and chosen != now:
        _apply(bench, draft, Correction("colour", _at(one), word=chosen))


def _blemish(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    """Have a blemish drawn round. What it is stays open until the coach says so; it counts only then."""
    number = one["number"]
    for name, mark in named_marks(one):
        _mark(bench, draft, one, name, mark)
    fact = st.pills(
        "What it is (nothing chosen: not named yet)",
        MEASURED,
        format_func=lambda name: FACTS[name].label,
        key=f"blemish-{draft.uid}-{number}",
    )
    _marking_button(draft, number, f"blemish:{fact or ''}", "Draw round it")


def _mark(bench: Desk, draft: Draft, one: Mapping[str, Any], name: str, mark: Mapping[str, Any]) -> None:
    """Let an area drawn before be named, named anew or taken off."""
    line = tuple((float(x), float(y)) for x, y in mark["line_px"])
    fact = mark["fact"]
    chosen = st.pills(
        f"Mark {name} is",
        MEASURED,
        default=fact if fact in MEASURED else None,
        format_func=lambda word: FACTS[word].label,
        key=f"mark-{draft.uid}-{name}-{fact}",
    )
    if chosen is not None and chosen != fact:
        _apply(bench, draft, Correction("blemish", _at(one), line=line, word=chosen))
    if st.button(f"Take mark {name} off", key=f"unmark-{name}", width="stretch"):
        _apply(bench, draft, Correction("unmark", _at(one), line=line))


def _outline(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    """Part an outline that holds two peppers, or join it with another that shows the same one."""
    _marking_button(draft, one["number"], "part", "These are two peppers: part them")
    others = {p["number"]: p for p in draft.body["document"]["peppers"] if p["number"] != one["number"]}
    if not others:
        return
    other = st.pills("It is the same pepper as number", list(others), key=f"same-{draft.uid}-{one['number']}")
    if other is not None:
        _apply(bench, draft, Correction("merge", _at(one), to=_at(others[other])))


_MARKING: Mapping[str, tuple[touch.Mode, str]] = {
    "stem end": ("point", "Tap the place where the stem grows out."),
    "axis": ("line", "Tap the middle of the stem end, then the middle of the blossom end."),
    "part": ("line", "Tap the middle of each of the two peppers, one after the other."),
    "blemish": ("path", "Draw round the blemish with a finger."),
}


def _close_up(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> bool:
    """Show the pepper; return True while something is being marked on it."""
    pictures = bench.pictures(draft)
    close = pictures.close.get(one["number"]) if pictures else None
    if close is None:
        return False
    number, _, what = st.session_state.get(f"marking-{draft.uid}", "").partition(" ")
    marking = number == str(one["number"])
    mode, hint = _MARKING[what.partition(":")[0]] if marking else ("look", "")
    touched = touch.picture(
        close.bare if marking else close.marked,
        close.box,
        alt=f"{words.pepper_alt_text(one).capitalize()}, close up",
        key=f"close-{draft.uid}-{one['number']}-{mode}",
        mode=mode,
        hint=hint,
        highest_rem=22,
    )
    if not marking:
        return False
    if st.button("Leave it as it was", key="stop-marking", width="stretch"):
        del st.session_state[f"marking-{draft.uid}"]
        st.rerun(scope="fragment")
    if touched is not None and touched.points:
        _apply(bench, draft, _marked(one, what, touched.points))
    return True


def _marked(one: Mapping[str, Any], what: str, points: Sequence[tuple[float, float]]) -> Correction:
    if what == "part":
        return Correction("part", points[0], to=points[-1])
    if what == "axis":
        return Correction("axis", _at(one), line=(points[0], points[-1]))
    if what.startswith("blemish"):
        return Correction("blemish", _at(one), line=tuple(points), word=what.partition(":")[2] or None)
    return Correction("stem end", _at(one), to=points[0])


def _measured_by_hand(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    with st.form(f"hand-{one['number']}", border=False):
        quantity = st.segmented_control("What", list(_BY_TOOL), default="diameter", format_func=str.capitalize)
        unit = st.segmented_control("In", ["mm", "inches"], default="mm")
        value = st.number_input("Reading", min_value=0.0, value=None, format="%.3f")
        tool = st.selectbox("Read with", list(TOOLS), format_func=str.capitalize)
        sent = st.form_submit_button("Use this reading", type="primary", width="stretch")
    if not sent:
        return
    if not value or quantity is None:
        style.show_html(
            style.message_html(
                "reading-missing", "No reading was typed.", "Type the number the tool shows.", "flag"
            )
        )
        return
    mm = millimetres(value) if unit == "inches" else value
    _apply(bench, draft, Correction("measured", _at(one), quantity=quantity, value=mm, uncertainty=TOOLS[tool]))


def _apply(bench: Desk, draft: Draft, correction: Correction) -> None:
    """Write a correction into the draft and close the dialog; the page then measures again."""
    drafts.change(bench.store, draft.uid, lambda body: drafts.correct(body, correction))
    look_away(draft.uid)
    st.rerun()


def _at(one: Mapping[str, Any]) -> tuple[float, float]:
    return _pair(one["centre_px"])


def _pair(point: Any) -> tuple[float, float]:
    return float(point[0]), float(point[1])
