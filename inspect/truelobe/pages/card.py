"""Page "Card and calibration"."""

from __future__ import annotations

import streamlit as st

from truelobe.pages import style


def show() -> None:
    """Draw the page."""
    st.title("Card and calibration")
    style.lead("Print the scale card and measure its two bars once: every length read from a photo rests on them.")
