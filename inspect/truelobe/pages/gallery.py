"""Page "Gallery": what the team keeps, as cards; one opens to show everything.

The address holds what is shown (`?plate=`, `?view=`), session state what is chosen; both are identifiers only.
"""

from __future__ import annotations

from functools import partial
from typing import Any, get_args

import streamlit as st

from truelobe import gallery
from truelobe.gallery import SORTS, Query
from truelobe.grading.decisions import Outcome
from truelobe.messages import TruelobeError
from truelobe.pages import gallery_move, gallery_plate, gallery_store, gallery_walls, style
from truelobe.pages.gallery_cards import one_page
from truelobe.pages.gallery_worker import measure_bytes
from truelobe.store import Store

LOOKING = ("Plates", "Walls", "Compare")
VIEWS = (*LOOKING, "Bin", "Move and keep safe")


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
            gallery.load_sample(store, measure_bytes)
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
