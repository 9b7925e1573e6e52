"""Walls of examples in the coach's order, and plates side by side at one scale."""

from __future__ import annotations

import streamlit as st

from truelobe import gallery
from truelobe.pages import gallery_plate, projector, style
from truelobe.pages.gallery_cards import cards
from truelobe.store import Store

MOST_SLIDES = 24


def show_walls(store: Store, *, editing: bool = True) -> None:
    """Draw the walls: choose one, look at it, order it."""
    found = gallery.walls(store)
    if not found:
        style.lead("A wall holds examples on one topic, in the order you want to show them.")
    else:
        named = {wall.uid: wall for wall in found}
        uid = st.selectbox(
            "Wall", tuple(named), format_func=lambda uid: f"{named[uid].title} ({named[uid].plates} plates)"
        )
        wall = named[uid]
        if wall.note:
            style.lead(wall.note)
        shown = gallery.on_wall(store, uid)
        if shown and projector.ask(uid, "Show this wall on the large screen"):
            slides = [
                gallery_plate.slide_of(store, store.inspections.get(card.uid)) for card in shown[:MOST_SLIDES]
            ]
            projector.show(uid, slides, marked=False)
        cards(shown)
        if editing:
            _order(store, wall, shown)
    if editing:
        _hang_chosen(store, found)


def _order(store: Store, wall: gallery.Wall, shown: tuple[gallery.Card, ...]) -> None:
    """Let the coach order a wall, or take it down."""
    with st.expander("Order this wall"):
        titles = {card.uid: card.title or str(card.plate_date) for card in shown}
        order = st.multiselect(
            "Plates from first to last",
            tuple(titles),
            default=tuple(titles),
            format_func=lambda one: titles[one],
            key=f"order-{wall.uid}-{wall.version}",
        )
        if st.button("Save this order", disabled=tuple(order) == tuple(titles)):
            gallery.hang(store, wall.uid, wall.version, order)
            st.rerun()
        if st.button("Take this wall down", help="Its plates stay in the gallery."):
            gallery.take_down_wall(store, wall.uid)
            st.rerun()


def _hang_chosen(store: Store, found: tuple[gallery.Wall, ...]) -> None:
    """Put the plates chosen among the cards on a wall, an old one or a new one."""
    chosen = list(st.session_state.get("gallery_chosen", []))
    with st.expander("Hang plates on a wall", expanded=not found):
        st.write(f"Plates chosen: {len(chosen)}. Tick Choose on cards under Plates.")
        names = {wall.uid: wall.title for wall in found}
        where = st.selectbox(
            "Onto", ("", *names), format_func=lambda uid: names.get(uid, "A new wall"), key="hang-where"
        )
        title = "" if where else st.text_input("Title of the new wall", placeholder="Green at the shoulder")
        if st.button("Hang them", disabled=not chosen or not (where or title)):
            wall = next((one for one in found if one.uid == where), None) or gallery.make_wall(store, title)
            there = [card.uid for card in gallery.on_wall(store, wall.uid)]
            gallery.hang(store, wall.uid, wall.version, list(dict.fromkeys(there + chosen)))
            st.session_state["gallery_chosen"] = []
            st.rerun()


def show_compare(store: Store) -> None:
    """Draw two to four chosen plates at one scale."""
    chosen = list(st.session_state.get("gallery_chosen", []))
    if not 2 <= len(chosen) <= 4:
        style.lead("Tick Choose on two, three or four plates, then come back: they stand here at the same scale.")
        return
    shown = gallery.compare(store, chosen)
    style.lead("The same scale for all: a larger pepper is drawn larger.")
    if projector.ask("compare"):
        projector.show("compare", [_side_by_side(shown)])
    slide = _side_by_side(shown)
    for place, one, picture in zip(st.columns(len(shown)), shown, slide.pictures, strict=True):
        with place:
            if one.picture is None:
                st.write("Not measured, so its scale is not known.")
            else:
                widest = max(other.size_px[0] for other in shown)
                _picture(picture, 100 * one.size_px[0] / widest)
            st.subheader(gallery_plate.name_of(one.plate))
            if one.plate.teaching_note:
                st.caption(one.plate.teaching_note)
    if st.button("Choose others"):
        st.session_state["gallery_chosen"] = []
        st.rerun()


def _side_by_side(shown: tuple[gallery.Compared, ...]) -> projector.Slide:
    """Return a comparison as one slide."""
    pictures = []
    for one in shown:
        name = gallery_plate.name_of(one.plate)
        source = projector.address(one.picture, "image/webp") if one.picture else ""
        caption = name if one.picture else f"{name}: not measured, so its scale is not known"
        pictures.append(projector.Shown(source, source, f"Peppers of {name}", caption))
    return projector.Slide(
        "The same scale for all", "A larger pepper is drawn larger.", tuple(pictures), scaled=True
    )


def _picture(one: projector.Shown, share: float) -> None:
    """Draw a picture at a share of its column's width, so that the scale is the same in every column."""
    style.show_html(f'<img alt="{style.text(one.alt)}" style="width:{share:.2f}%" src="{one.marked}">')
