"""One pepper close up, and what the coach can put right on it: by finger, mouse or keyboard."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

from truelobe.pages import drafts, style, touch
from truelobe.pages.desk import Desk
from truelobe.pages.photo_settings import COLOURS
from truelobe.report import words
from truelobe.request import Correction
from truelobe.store import Draft
from truelobe.units import millimetres

_SAID = {
    "remove": "removed a false pepper",
    "keep": "confirmed a doubtful pepper",
    "stem end": "marked a stem end",
    "add": "added a pepper",
    "part": "parted two peppers",
    "merge": "joined two outlines",
}
# What a reading with each tool is worth, as one standard uncertainty in mm: half of the tool's finest step as a
# rectangular law (JCGM 100, 4.3.7) and how well a hand finds the widest place of a lobed fruit.
TOOLS = {"caliper": 0.5, "ruler": 1.0, "ring or hole of known size": 0.8}


def said(correction: Mapping[str, Any]) -> str:
    """Say a correction in a few words."""
    if correction["kind"] == "colour":
        return f"color set to {correction['word']}"
    if correction["kind"] == "measured":
        return f"{correction['quantity']} {correction['value']:.1f} mm by hand"
    return _SAID[correction["kind"]]


def correct(bench: Desk, uid: str, number: int) -> None:
    """Open the dialog of one pepper."""

    @st.dialog(f"Pepper {number}", width="medium")
    def dialog() -> None:
        draft = bench.store.drafts.get(uid)
        one = next((p for p in draft.body["document"]["peppers"] if p["number"] == number), None)
        if one is not None:
            _dialog(bench, draft, one)

    dialog()


def _dialog(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    number = one["number"]
    marking = _close_up(bench, draft, one)
    if marking:
        return
    if one["doubtful"] and st.button(
        "Outline is right: keep it", key=f"confirm-{number}", type="primary", width="stretch"
    ):
        _apply(bench, draft, Correction("keep", _at(one)))
    if st.button("Mark the stem end", key=f"mark-{number}", width="stretch"):
        st.session_state[f"marking-{draft.uid}"] = number
        st.rerun(scope="fragment")
    axis = one.get("axis_px")
    if axis and st.button("Turn the stem end round", key=f"turn-{number}", width="stretch"):
        _apply(bench, draft, Correction("stem end", _at(one), to=_pair(axis["blossom_end"])))
    if st.button("Not a pepper: remove it", key=f"remove-{number}", width="stretch"):
        _apply(bench, draft, Correction("remove", _at(one)))
    names = [name for name in COLOURS if name]
    colour = st.pills(
        "Color",
        names,
        default=one["colour"] if one["colour"] in names else None,
        format_func=str.capitalize,
        key=f"colour-{number}",
    )
    if colour is not None and colour != one["colour"]:
        _apply(bench, draft, Correction("colour", _at(one), word=colour))
    _measured_by_hand(bench, draft, one)


def _close_up(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> bool:
    """Show the pepper; return True while its stem end is being marked."""
    pictures = bench.pictures(draft)
    close = pictures.close.get(one["number"]) if pictures else None
    if close is None:
        return False
    marking = st.session_state.get(f"marking-{draft.uid}") == one["number"]
    touched = touch.picture(
        close.bare if marking else close.marked,
        close.box,
        alt=f"{words.pepper_alt_text(one).capitalize()}, close up",
        key=f"close-{draft.uid}-{one['number']}-{marking}",
        mode="point" if marking else "look",
        hint="Tap the place where the stem grows out." if marking else "",
        highest_rem=22,
    )
    if not marking:
        return False
    if st.button("Leave it as it was", key="stop-marking", width="stretch"):
        del st.session_state[f"marking-{draft.uid}"]
        st.rerun(scope="fragment")
    if touched is not None and len(touched.points) == 1:
        del st.session_state[f"marking-{draft.uid}"]
        _apply(bench, draft, Correction("stem end", _at(one), to=touched.points[0]))
    return True


def _measured_by_hand(bench: Desk, draft: Draft, one: Mapping[str, Any]) -> None:
    with st.expander("Type a measurement by hand"), st.form(f"hand-{one['number']}", border=False):
        quantity = st.segmented_control(
            "What", ["diameter", "length"], default="diameter", format_func=str.capitalize
        )
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
    st.rerun()


def _at(one: Mapping[str, Any]) -> tuple[float, float]:
    return _pair(one["centre_px"])


def _pair(point: Any) -> tuple[float, float]:
    return float(point[0]), float(point[1])
