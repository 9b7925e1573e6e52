"""What the coach says about one photo: the plate's color, where the card lies, its height, the print's bars."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from truelobe.pages import drafts
from truelobe.pages.desk import Desk
from truelobe.store import Draft, Print

COLOURS: dict[str | None, str] = {
    None: "Not said: each pepper by its own skin",
    "red": "Red",
    "yellow": "Yellow",
    "orange": "Orange",
    "green": "Green",
}
PLACES: dict[str | None, str] = {None: "Not said", "table": "On the table", "plate": "On the plate"}
_MM_PER_INCH = 25.4


def show(bench: Desk, draft: Draft) -> None:
    """Draw the settings of a photo, folded away; every change is written at once and measured again."""
    settings = draft.body["settings"]
    with st.expander("About this photo: color, card, plate height"):
        st.selectbox(
            "The plate is shown as",
            list(COLOURS),
            index=list(COLOURS).index(settings["declared_colour"]),
            format_func=lambda name: COLOURS[name],
            key=f"declared-{draft.uid}",
            on_change=partial(_from_widget, bench, draft.uid, "declared_colour", f"declared-{draft.uid}"),
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
        st.caption(
            f"Print {number:04d}: bars {known.across_mm:.1f} mm across and {known.down_mm:.1f} mm down, "
            f"give or take {2 * known.u_mm:.1f}. Change them on the page Card and calibration."
        )
        return
    bars_form(bench, number, card.get("edition"))


def bars_form(bench: Desk, number: int, edition: str | None) -> None:
    """Ask for the two bars of a print, in millimeters or inches, and keep them."""
    with st.form(f"bars-{number}", border=False):
        unit = st.segmented_control("Ruler reads", ["mm", "inches"], default="mm", key=f"bars-unit-{number}")
        across = st.number_input(
            "Bar across the card", min_value=0.0, value=None, format="%.3f", key=f"across-{number}"
        )
        down = st.number_input("Bar down the card", min_value=0.0, value=None, format="%.3f", key=f"down-{number}")
        sent = st.form_submit_button(f"Keep for print {number:04d}")
    if sent and across and down:
        factor = _MM_PER_INCH if unit == "inches" else 1.0
        keep_bars(bench, number, edition, across * factor, down * factor, 0.4 if unit == "inches" else 0.25)
        st.rerun()


def keep_bars(
    bench: Desk, number: int, edition: str | None, across_mm: float, down_mm: float, u_mm: float
) -> None:
    """Keep the bars of a print after holding them against the drawing."""
    from truelobe.card import load_layout, scale_from_bars

    layout = load_layout(edition)
    scale_from_bars(layout, across_mm, down_mm, u_mm)  # says so when a reading can't be right
    bench.store.prints.put(Print(number, layout.edition, across_mm, down_mm, u_mm))
