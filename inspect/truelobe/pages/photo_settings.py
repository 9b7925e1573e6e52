"""What the coach says about one photo: the plate's color, where the card lies, its height, the print's bars."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from truelobe.pages import drafts, prints_form
from truelobe.pages.desk import Desk
from truelobe.store import Draft

COLOURS: dict[str | None, str] = {
    None: "Not said: each pepper by its own skin",
    "red": "Red",
    "yellow": "Yellow",
    "orange": "Orange",
    "green": "Green",
}
PLACES: dict[str | None, str] = {None: "Not said", "table": "On the table", "plate": "On the plate"}


def show(bench: Desk, draft: Draft) -> None:
    """Draw the settings of a photo, folded away; every change is written at once and measured again."""
    settings = draft.body["settings"]
    # The color can be said in two places of the page, so this one is drawn anew when it changes.
    declared = f"declared-{draft.uid}-{settings['declared_colour']}"
    with st.expander("About this photo: color, card and its lines, plate height"):
        st.selectbox(
            "The plate is shown as",
            list(COLOURS),
            index=list(COLOURS).index(settings["declared_colour"]),
            format_func=lambda name: COLOURS[name],
            key=declared,
            on_change=partial(_from_widget, bench, draft.uid, "declared_colour", declared),
        )
        st.segmented_control(
            "The card lies",
            list(PLACES),
            default=settings["card_place"],
            format_func=lambda name: PLACES[name],
            key=f"place-{draft.uid}",
            on_change=partial(_from_widget, bench, draft.uid, "card_place", f"place-{draft.uid}"),
        )
        st.number_input(
            "Height of the plate's floor above the card, mm (empty: not measured)",
            min_value=-30.0,
            max_value=80.0,
            value=settings["plate_height_mm"],
            step=1.0,
            key=f"height-{draft.uid}",
            on_change=partial(_from_widget, bench, draft.uid, "plate_height_mm", f"height-{draft.uid}"),
        )
        _bars(bench, draft)


def _from_widget(bench: Desk, uid: str, name: str, key: str) -> None:
    value = st.session_state[key]
    drafts.change(bench.store, uid, lambda body: body.update(settings=body["settings"] | {name: value}))


def _bars(bench: Desk, draft: Draft) -> None:
    """Ask for the print's measured bars: kept with its number, so that they are asked for once."""
    card: dict[str, Any] = (draft.body["document"] or {}).get("made_by", {}).get("card") or {}
    number = card.get("print_number")
    if number is None:
        return
    known = bench.store.prints.get(number)
    if known is not None:
        st.caption(f"Print {number:04d}: {prints_form.said(known)}. Change it on the page Card and calibration.")
        return
    prints_form.bars_form(bench.store, number, card.get("edition"))
