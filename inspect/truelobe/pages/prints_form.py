"""The two measured bars of a printout: asked for on the card page and under a photo, kept by print number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import streamlit as st

from truelobe.card import CardLayout, load_layout, scale_from_bars
from truelobe.messages import TruelobeError
from truelobe.pages import style
from truelobe.store import Print, Store
from truelobe.units import inch_fraction, inches, millimetres


@dataclass(frozen=True)
class Ruler:
    """A tool for the bars.

    Attributes
    ----------
    label : str
    unit : {"mm", "in"}
    uncertainty : float
        One standard uncertainty of a reading in that unit: half of the finest mark as a rectangular law
        (JCGM 100:2008, F.2.2.1), and for calipers what a hand adds.
    """

    label: str
    unit: Literal["mm", "in"]
    uncertainty: float


RULERS = (
    Ruler("a ruler with millimeter marks", "mm", 0.3),
    Ruler("a ruler with sixteenth-inch marks (type decimals)", "in", 0.02),
    Ruler("a caliper in millimeters", "mm", 0.1),
    Ruler("a caliper in inches", "in", 0.004),
)


def bars_form(store: Store, number: int | None = None, edition: str | None = None) -> None:
    """Ask for the two bars and keep them; without a number, ask for it too."""
    layout = load_layout(edition or None)
    with st.form(f"bars-{number}", border=True):
        style.show_html(f'<p class="tl-small">{style.text(_how(layout))}</p>')
        if number is None:
            number = st.number_input("Print number (on the card)", min_value=0, max_value=9999, value=None, step=1)
        ruler = st.selectbox("Measured with", RULERS, format_func=lambda one: one.label)
        across = st.number_input("Long line across the card", min_value=0.0, value=None, format="%.3f")
        down = st.number_input("Long line down the card", min_value=0.0, value=None, format="%.3f")
        sent = st.form_submit_button("Keep these lengths", type="primary")
    if not sent:
        return
    if number is None or across is None or down is None:
        missing = "Something is still empty: the print number and both lines are needed."
        style.show_html(style.message_html("bars-incomplete", missing, "Fill it in and keep it again."))
        return
    try:
        keep_bars(store, int(number), layout, across, down, ruler)
    except TruelobeError as error:
        style.say(error.message)
        return
    st.rerun()


def keep_bars(store: Store, number: int, layout: CardLayout, across: float, down: float, ruler: Ruler) -> None:
    """Hold two readings against the drawing, then keep them in mm.

    Raises
    ------
    TruelobeError
        ``print-reading`` when a reading cannot be one of this card's lines.
    """
    scale_from_bars(layout, across, down, ruler.uncertainty, unit=ruler.unit)
    to_mm = millimetres if ruler.unit == "in" else float
    store.prints.put(Print(number, layout.edition, to_mm(across), to_mm(down), to_mm(ruler.uncertainty)))


def _how(layout: CardLayout) -> str:
    bars = [f"{bar.length_mm:.0f} mm ({inch_fraction(bar.length_mm)})" for bar in (layout.across, layout.down)]
    return (
        "Measure both long lines on the printout, from the middle of one end mark to the middle of the other. "
        f"On a true print they are {bars[0]} across and {bars[1]} down."
    )


def said(made: Print) -> str:
    """Say in words how true a print is."""
    layout = load_layout(made.edition)
    scale = scale_from_bars(layout, made.across_mm, made.down_mm, made.u_mm)
    off = max(scale.across - 1, scale.down - 1, key=abs)
    true = "true to size" if abs(off) <= 0.005 else f"{100 * off:+.1f} %, which the tool corrects"
    return (
        f"{made.across_mm:.1f} mm across ({inches(made.across_mm):.2f} in), {made.down_mm:.1f} mm down "
        f"({inches(made.down_mm):.2f} in): {true}"
    )
