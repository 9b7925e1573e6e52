"""Part of "Set a class": make up four plates from the measured peppers of the gallery."""

from __future__ import annotations

from typing import get_args

import streamlit as st

from truelobe import gallery
from truelobe.gallery import Query
from truelobe.judging.proposal import Difficulty, Proposal, Trait, pool_of, propose
from truelobe.pages import style
from truelobe.store import Store
from truelobe.units import inch_fraction, percent

_MOST_PLATES = 24


def make_up(store: Store) -> None:
    """Ask for a trait and how hard each pair should be; say which peppers to put together and what to bring."""
    with st.expander("Make up four plates from measured peppers"):
        st.caption("Which peppers to put together. The placing is for you to judge once they lie on their plates.")
        with st.form("make-up", border=False):
            trait = st.selectbox("The plates differ in", get_args(Trait))
            columns = st.columns(3)
            steps: list[Difficulty] = [
                column.selectbox(f"{label} pair", get_args(Difficulty), 1, key=f"make-up-{label}")
                for column, label in zip(columns, ("Top", "Middle", "Bottom"), strict=True)
            ]
            on_plate = st.number_input("Peppers on a plate", 2, 6, 5)
            asked = st.form_submit_button("Propose plates")
        if asked:
            cards = gallery.find(store, Query(measured=True), limit=_MOST_PLATES).cards
            pool = pool_of(store, [card.uid for card in cards])
            _say(propose(pool, trait, (steps[0], steps[1], steps[2]), int(on_plate)), trait)


def _say(found: Proposal, trait: Trait) -> None:
    for letter, plate, mean in zip("ABCD", found.plates, found.means, strict=True):
        told = percent(mean) if trait == "not fully colored" else f"{mean:.0f} mm ({inch_fraction(mean)})"
        st.markdown(f"**Plate {letter}**, on average {told}: " + "; ".join(p.name for p in plate))
    unclear = [f"{'ABC'[n]} and {'BCD'[n]}" for n, real in enumerate(found.real) if not real]
    if unclear:
        style.lead(f"Too close to tell apart: {', '.join(unclear)}.")
    for n, line in enumerate(found.shopping):
        st.markdown(f"{'Bring, for a better class: ' if n == 0 else ''}{line}")
