"""Measuring by hand in "Train the eye": a reading held against the tool's figure and its uncertainty."""

from __future__ import annotations

import streamlit as st

from truelobe.gallery.search import Query, find
from truelobe.pages import style
from truelobe.practice.hand import INSTRUMENTS, QUANTITIES, keep_reading
from truelobe.store import Store
from truelobe.store.unplaced import plates_of_unplaced
from truelobe.units import millimetres


def show(store: Store, student: str) -> None:
    """Draw the form, and what came out."""
    style.lead("Measure a real pepper that the tool has measured too, then compare.")
    hidden = plates_of_unplaced(store)
    plates = {c.uid: c for c in find(store, Query(measured=True)).cards if c.pepper_count and c.uid not in hidden}
    if not plates:
        st.write("No measured plate is in the gallery yet. Measure one and keep it, then come back with a ruler.")
        return
    with st.form("by-hand", border=False):
        plate = st.selectbox("Plate", list(plates), format_func=lambda uid: plates[uid].title or uid[:8])
        pepper = st.number_input("Pepper number", 1, 30, 1)
        quantity = st.selectbox("What", list(QUANTITIES), format_func=QUANTITIES.__getitem__)
        instrument = st.selectbox("With", list(INSTRUMENTS))
        unit = st.segmented_control("Unit", ("mm", "in"), default="mm")
        reading = st.number_input("Your reading", 0.0, 400.0, None, placeholder="Type it")
        sent = st.form_submit_button("Compare", type="primary", width="stretch")
    if sent and reading is not None:
        mm = millimetres(reading) if unit == "in" else float(reading)
        found = keep_reading(store, student, plate, int(pepper), quantity, instrument, mm)
        style.lead(found.words)
    st.caption(
        "A careful hand reading on a soft, lobed body is good to 1 mm (caliper) or 2 mm (ruler, ring): "
        "our assumption."
    )
