"""Page "Gallery": what the team keeps, as cards; one opens to show everything.

The address holds what is shown (`?plate=`, `?view=`), session state what is chosen; both are identifiers only.
"""

from __future__ import annotations

from functools import partial
from typing import Any, get_args

import streamlit as st

from truelobe import gallery
from truelobe.gallery import SORTS, Card, Query
from truelobe.grading.decisions import Outcome
from truelobe.messages import TruelobeError
from truelobe.pages import gallery_store, projector, style
from truelobe.report.gallery_list import figure_words
from truelobe.store import Store

LOOKING = ("Plates", "Walls", "Compare")
VIEWS = (*LOOKING, "Bin", "Move and keep safe")
A_PAGE = 12
"""Plates on a page of results: what a thumb scrolls past and a browser draws at once."""


def show() -> None:
    """Draw the page for the coach."""
    gallery_page()


def gallery_page(*, editing: bool = True) -> None:
    """Draw the page: one plate where the address names one, else the chosen view.

    Parameters
    ----------
    editing : bool
        Whether plates can be changed, deleted and moved; the team's own process says no.
    """
    from truelobe.pages import gallery_move, gallery_plate, gallery_walls

    try:
        store = gallery_store.opened_store()
        plate = st.query_params.get("plate")
        if plate:
            gallery_plate.show_plate(store, plate, editing=editing)
            return
        st.title("Gallery")
        offered = VIEWS if editing else LOOKING
        named = st.query_params.get("view", VIEWS[0])
        st.session_state.setdefault("gallery_view", named if named in offered else VIEWS[0])
        view = st.segmented_control(
            "What to look at", offered, required=True, key="gallery_view", label_visibility="collapsed"
        )
        st.query_params["view"] = view or VIEWS[0]
        views: dict[str, Any] = {
            "Plates": partial(show_plates, editing=editing),
            "Walls": partial(gallery_walls.show_walls, editing=editing),
            "Compare": gallery_walls.show_compare,
            "Bin": gallery_move.show_bin,
            "Move and keep safe": gallery_move.show_move,
        }
        views[view or VIEWS[0]](store)
    except TruelobeError as error:
        style.say(error.message)
    style.foot("Practice aid, not an inspection. A grade belongs to a lot and to a licensed inspector.")


def show_plates(store: Store, *, editing: bool = True) -> None:
    """Draw filters and cards."""
    if not gallery.count(store, at_most=1):
        _teach(store, editing)
        return
    query = _filters(store, editing)
    st.session_state["gallery_asked"] = query.text()
    _say_how_many(gallery.count(store, query))
    one_page(store, query, chooses=True)


def one_page(store: Store, query: Query, *, chooses: bool = False) -> None:
    """Draw the plates that a query asks for, a page at a time, and the way to the next page."""
    asked = st.session_state.get("gallery_query")
    after = st.session_state.get("gallery_after") if asked == query.text() else None
    page = gallery.find(store, query, after=after, limit=A_PAGE)
    cards(page.cards, chooses=chooses)
    first, following = st.columns(2)
    if after:
        first.button("First page", width="stretch", on_click=partial(_turn, query, None))
    if page.after:
        following.button("Next page", width="stretch", on_click=partial(_turn, query, page.after))


def _turn(query: Query, after: str | None) -> None:
    """Turn to a page before it is drawn, so that it is drawn once."""
    st.session_state["gallery_after"], st.session_state["gallery_query"] = after, query.text()


def _teach(store: Store, editing: bool) -> None:
    """Say what will stand here, and give the one button that starts it."""
    style.lead(
        "Every plate you keep stands here: its photo, what was measured, what you found by hand, and the note "
        "that teaches something with it."
    )
    if editing:
        st.write("Measure a plate and press Keep, or look around first with plates of an invented team.")
        _sample_button(store)


def _sample_button(store: Store) -> None:
    if st.button("Load the sample gallery", type="primary"):
        with st.spinner("Measuring the sample plates. This takes about a minute."):
            gallery.load_sample(store, gallery_store.measure_bytes)
        st.rerun()


def _say_how_many(found: int) -> None:
    words = {0: "No plate fits. Take a filter away.", 1: "One plate."}
    style.lead(words.get(found, f"{found} plates." if found < 100 else "More than a hundred plates."))


def _filters(store: Store, editing: bool) -> Query:
    """Ask what to look for."""
    saved = gallery.saved_searches(store)
    words, order = st.columns((3, 2))
    typed = words.text_input("Words", placeholder="shoulder, Friday, practice one", key="gallery_words")
    sort = order.selectbox("Order", SORTS, key="gallery_sort")
    with st.expander("Filters"):
        offered = gallery.choices(store)
        left, right = st.columns(2)
        colours = left.multiselect("Color", offered.colours)
        outcomes = right.multiselect("Decision", get_args(Outcome))
        rule = _one(right, "Of which rule", offered.rules) if outcomes else ""
        size = left.slider("Diameter, mm", 30, 130, (30, 130))
        skin = right.slider("Not fully colored, percent", 0, 100, (0, 100))
        grade, defect = _one(left, "Grade", offered.grades), _one(right, "Defect", offered.defects)
        tag, who = _one(left, "Tag", offered.tags), _one(right, "Kept by", offered.who)
        days = (left.date_input("Plate date, from", None), right.date_input("Plate date, to", None))
        examples = right.toggle("Examples only")
    query = Query(
        words=typed,
        colours=tuple(colours),
        outcomes=tuple(outcomes),
        rule=rule,
        diameter_mm=_open_ended(size, 30, 130),
        not_fully_coloured=_open_ended(skin, 0, 100, 100),
        grade=grade,
        defect=defect,
        tag=tag,
        who=who,
        first_day=days[0],
        last_day=days[1],
        examples=examples,
        sort=sort,
    )
    return _saved(store, saved, query, editing)


def _saved(store: Store, saved: dict[str, Query], query: Query, editing: bool) -> Query:
    """Offer saved searches; a chosen one stands in place of the filters."""
    with st.expander("Saved searches"):
        name = st.selectbox("Search", ("", *saved), format_func=lambda name: name or "None: use the filters above")
        if name:
            if editing and st.button("Forget this search"):
                gallery.forget_search(store, name)
                st.rerun()
            return saved[name]
        new = st.text_input("Save the filters above as") if editing else ""
        if editing and st.button("Save", disabled=not new):
            gallery.save_search(store, new, query)
            st.rerun()
    return query


def _one(place: Any, label: str, options: tuple[str, ...]) -> str:
    return str(place.selectbox(label, ("", *options), format_func=lambda option: option or "Any"))


def _open_ended(
    chosen: tuple[int, int], least: int, most: int, part: int = 1
) -> tuple[float | None, float | None]:
    low, high = chosen
    return None if low == least else low / part, None if high == most else high / part


def cards(shown: tuple[Card, ...], *, chooses: bool = False) -> None:
    """Draw cards, three across on a wide screen and one below the other on a phone.

    The style sheet lays them out: columns of Streamlit's are parts of their own, and drawing many parts is slow.
    """
    store = gallery_store.opened_store()
    with st.container(key="hits"):
        for card in shown:
            with st.container(border=True, key=f"hit-{card.uid}"):
                _card(store, card, chooses)


def _card(store: Store, card: Card, chooses: bool) -> None:
    name = card.title or f"Plate of {card.plate_date:%B %-d, %Y}"
    picture = ""
    if (
        card.thumbnail_sha256
    ):  # as it lies on the shelf; Streamlit's own picture would be compressed anew each time
        source = projector.address(store.shelf.read(card.thumbnail_sha256), "image/webp")
        alt = style.text(f"Photo of the plate: {name}")
        picture = f'<img class="tl-thumb" alt="{alt}" src="{source}">'
    mark = '<span class="tl-tag">example</span>' if card.example else ""
    note = f'<p class="tl-quiet tl-small">{style.text(card.teaching_note)}</p>' if card.teaching_note else ""
    style.show_html(f"{picture}<h3>{style.text(name)}{mark}</h3>{figures_html(card)}{note}")
    st.button("Open", key=f"open-{card.uid}", width="stretch", on_click=partial(_open, card.uid))
    if chooses:
        basket = st.session_state.get("gallery_chosen", ())
        key = f"choose-{card.uid}"
        st.checkbox("Choose", value=card.uid in basket, key=key, on_change=_choose, args=(card.uid, key))


def _choose(uid: str, key: str) -> None:
    """Take a plate into the basket or out of it, also where the next click was faster than the page."""
    basket = st.session_state.setdefault("gallery_chosen", [])
    if st.session_state[key] and uid not in basket:
        basket.append(uid)
    if not st.session_state[key] and uid in basket:
        basket.remove(uid)


def _open(uid: str) -> None:
    st.query_params["plate"] = uid


def figures_html(card: Card) -> str:
    """Return a plate's three figures as HTML: the span over its peppers."""
    rows = "".join(
        f"<dt>{label}</dt><dd>{style.text(first)}<small>{style.text(second)}</small></dd>"
        for label, (first, second) in figure_words(card)
    )
    quiet = f"{card.plate_date:%B %-d, %Y}" + (f", {card.grade}" if card.grade else "")
    figures = f'<div class="tl-card" style="border:0"><dl>{rows}</dl></div>'
    return f'{figures}<p class="tl-quiet tl-small">{style.text(quiet)}</p>'
