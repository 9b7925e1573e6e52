"""The large screen: one plate, a wall in its order, or a comparison, over the whole window.

A page asks with `ask`; the next run draws the slides with `show`, and leaving them ends it.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

_FOLDER = Path(__file__).parent
_ASKED = "projector"


@dataclass(frozen=True)
class Shown:
    """One picture of a slide.

    Attributes
    ----------
    marked, bare : str
        Addresses of the picture with outlines and without; the same where there is nothing to draw.
    alt, caption : str
    """

    marked: str
    bare: str
    alt: str
    caption: str = ""


@dataclass(frozen=True)
class Slide:
    """What stands on the screen at one time: up to four pictures, a title, what they teach.

    `scaled` says that the pictures' own pixels are at one scale, which is kept.
    """

    title: str
    note: str
    pictures: tuple[Shown, ...]
    scaled: bool = False


def ask(key: str, label: str = "Show on the large screen") -> bool:
    """Draw the button; return whether the slides are to be drawn in this run."""
    if st.button(label, key=f"projector-{key}", help="Fills the screen. Arrows step, M hides outlines, Esc ends."):
        st.session_state[_ASKED] = key
    return bool(st.session_state.get(_ASKED) == key)


def show(key: str, slides: Sequence[Slide], *, marked: bool = True) -> None:
    """Lay slides over the page until they are closed.

    Parameters
    ----------
    key : str
        As in `ask`.
    slides : sequence of Slide
    marked : bool
        Whether outlines show at first.
    """
    data: Mapping[str, Any] = {"mark": key, "slides": [asdict(slide) for slide in slides], "marked": marked}
    _component()(data=data, key=f"projector-over-{key}", on_closed_change=_close)


def address(picture: bytes, media_type: str) -> str:
    """Return a picture as an address that needs no server."""
    return f"data:{media_type};base64,{base64.b64encode(picture).decode('ascii')}"


def _close() -> None:
    st.session_state.pop(_ASKED, None)


@cache
def _component() -> Callable[..., Any]:
    parts = {
        ending: (_FOLDER / f"projector.{ending}").read_text(encoding="utf-8") for ending in ("html", "css", "js")
    }
    return st.components.v2.component("truelobe_projector", **parts, isolate_styles=False)
