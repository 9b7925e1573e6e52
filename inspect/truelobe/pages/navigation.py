"""The one list of pages: what stands in the navigation, in which order, under which address.

A page is a module of this package with a function ``show()`` that draws it. To add one, write the module and put
a line into `PAGES`; a line whose module is not there yet is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec

import streamlit as st
from streamlit.navigation.page import StreamlitPage

from truelobe.pages import gate, style


@dataclass(frozen=True)
class Entry:
    """One page of the app.

    Attributes
    ----------
    module : str
        Module of this package; also the page's address.
    title : str
        What the navigation calls it.
    audience : {"coach", "team"}
        Who it is for; the team's own process shows only its pages.
    """

    module: str
    title: str
    audience: str = "coach"


PAGES: tuple[Entry, ...] = (
    Entry("measure", "Measure a plate"),
    Entry("gallery", "Gallery", "team"),
    Entry("set_class", "Set a class"),
    Entry("lead_class", "Lead a class"),
    Entry("place_class", "Place a class", "team"),
    Entry("give_reasons", "Give reasons", "team"),
    Entry("train_eye", "Train the eye", "team"),
    Entry("team", "The team"),
    Entry("card", "Card and calibration"),
    Entry("rules", "Rules"),
)


def available(audiences: tuple[str, ...] = ("coach", "team")) -> tuple[Entry, ...]:
    """Return the entries whose page exists and is for one of these audiences."""
    return tuple(e for e in PAGES if e.audience in audiences and find_spec(f"truelobe.pages.{e.module}"))


def page(entry: Entry, *, default: bool = False) -> StreamlitPage:
    """Return an entry as Streamlit knows it; the same call gives the target of a link to it."""
    path = "start" if default else entry.module  # the first page answers to the bare address, whatever its path
    return st.Page(_drawn_by(entry), title=entry.title, url_path=path, default=default)


def show(audiences: tuple[str, ...] = ("coach", "team")) -> None:
    """Set the page up, draw the navigation and the page that was asked for."""
    entries = available(audiences)
    st.set_page_config(page_title="Truelobe", page_icon=style.page_icon(), layout="centered")
    inside = gate.passed()
    pages = [page(e, default=e is entries[0]) for e in entries]
    pages.append(_by_its_name(entries[0], pages[0]))
    chosen = st.navigation(pages, position="top" if inside else "hidden")
    style.apply()
    if inside:
        chosen.run()
    else:
        gate.ask()


def _by_its_name(entry: Entry, target: StreamlitPage) -> StreamlitPage:
    """Let the first page be reached under its name too: by itself it answers to the bare address alone."""

    def lead_on() -> None:
        st.switch_page(target, query_params=st.query_params.to_dict())

    return st.Page(lead_on, title=entry.title, url_path=entry.module, visibility="hidden")


def link(module: str, label: str) -> None:
    """Draw a link to another page, if that page exists."""
    for entry in available():
        if entry.module == module:
            st.page_link(page(entry, default=entry is available()[0]), label=label)


def _drawn_by(entry: Entry) -> Callable[[], None]:
    def draw() -> None:
        import_module(f"truelobe.pages.{entry.module}").show()

    return draw
