"""The lesson of "Train the eye": what counts as fully colored, the line that decides, two rules, five traps."""

from __future__ import annotations

import streamlit as st

from truelobe.gallery.search import find
from truelobe.pages import style
from truelobe.practice.gallery_pictures import crop, crop_hatched, teachable
from truelobe.practice.lesson import TRAPS, house_words, lesson_picture, us_words
from truelobe.practice.pictures import boundary_colour, overlay, photo
from truelobe.store import Store
from truelobe.store.unplaced import unplaced_photos
from truelobe.units import percent


def show(store: Store) -> None:
    """Draw the lesson."""
    style.lead("Skin counts as fully colored once it is nearer to the ripe color than to the green.")
    colour = st.segmented_control(
        "Color", ("red", "yellow", "orange", "green"), default="red", key="lesson-colour"
    )
    picture = lesson_picture(colour or "red")
    line = st.slider("Move the line: how ripe must skin be?", 0.1, 0.9, 0.5, 0.1, key="lesson-line")
    share = picture.percent(line)
    style.lead(f"With the line here, {percent(share / 100)} of the skin seen is not fully colored.")
    swatch = boundary_colour(picture, line)
    if swatch:
        style.show_html(
            f'<p><span class="tl-swatch" style="background:{swatch}"></span>This color lies on the line.</p>'
        )
    left, right = st.columns(2)
    left.image(
        overlay(picture, line), width="stretch", alt="Counted skin hatched", caption="Hatched: not yet there"
    )
    right.image(photo(picture), width="stretch", alt="The bare pepper", caption="As it looks")
    st.caption(
        "The tool draws its line in the middle (0.5). Moving it changes the share, so say which line you use."
    )
    with st.expander("Two rules, one pepper", expanded=True):
        st.write(house_words(picture))
        st.write(us_words(picture))
    with st.expander("Five traps"):
        for name, words in TRAPS:
            style.show_html(f"<p><strong>{style.text(name)}.</strong> {style.text(words)}</p>")
    with st.expander("From our own gallery"):
        _gallery(store)


def _gallery(store: Store) -> None:
    """Show kept peppers whose share is known well enough, never those of a class still to be judged."""
    if not st.toggle("Show peppers measured well enough to learn from", key="lesson-gallery"):
        return
    plates = [card.uid for card in find(store).cards]
    peppers = teachable(store, plates, unplaced_photos(store))[:6]
    if not peppers:
        st.write("None yet. A pepper is shown here once its share is known to 4 points either way.")
    for pepper in peppers:
        low, high = pepper.figure.interval95
        left, right = st.columns(2)
        left.image(crop_hatched(store, pepper), width="stretch", alt="A gallery pepper, counted skin hatched")
        right.image(crop(store, pepper), width="stretch", alt="The same pepper bare")
        st.caption(f"{percent(pepper.figure.value)} not fully colored, from {percent(low)} to {percent(high)}.")
    if peppers:
        st.caption("Hatched: the least ripe skin by its color, as much of it as was measured.")
