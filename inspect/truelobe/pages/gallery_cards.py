"""Plates of the gallery as cards, a page at a time. One card opens its plate or goes into the basket."""

from __future__ import annotations

from functools import partial

import streamlit as st

from truelobe import gallery
from truelobe.gallery import Card, Query
from truelobe.pages import gallery_store, projector, style
from truelobe.report.gallery_list import figure_words
from truelobe.store import Store

A_PAGE = 12
"""Plates on a page of results: what a thumb scrolls past and a browser draws at once."""


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
