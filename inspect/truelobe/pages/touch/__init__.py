"""Touching a picture by finger, mouse or keyboard, and pasting one: small components of our own.

Plain JavaScript pointer events; what comes back is coordinates in pixels of the upright photo, pixel centres at
whole numbers. A component shows a picture that lies in memory; it never changes anything by itself.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

import streamlit as st

Mode = Literal["look", "point", "line", "path"]
_FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Spot:
    """Something in the picture that can be touched as a whole.

    Attributes
    ----------
    number : int
    label : str
        What a screen reader says.
    outline : sequence of (float, float)
        Polygon in px of the photo.
    """

    number: int
    label: str
    outline: Sequence[Sequence[float]]


@dataclass(frozen=True)
class Touch:
    """What was touched.

    Attributes
    ----------
    number : int or None
        Of the spot, in mode ``"look"``.
    points : tuple of (float, float)
        One point, the two ends of a line, or a path, in px of the photo.
    """

    number: int | None = None
    points: tuple[tuple[float, float], ...] = ()


def picture(
    jpeg: bytes,
    box: tuple[float, float, float, float],
    *,
    alt: str,
    key: str,
    mode: Mode = "look",
    spots: Sequence[Spot] = (),
    hint: str = "",
    highest_rem: float = 40.0,
) -> Touch | None:
    """Show a picture that can be touched; return what was touched in this run, or None.

    Parameters
    ----------
    jpeg : bytes
        The picture as shown.
    box : (float, float, float, float)
        Left, top, right and bottom edge of the part of the photo that the picture shows, px; right and bottom are
        the first column and row outside.
    alt : str
        What the picture shows.
    mode : {"look", "point", "line", "path"}
        Touch a spot; set one point; draw a line from here to there; draw around something.
    hint : str
        Said under the picture while something is to be drawn.
    highest_rem : float
        The picture is shown no higher than this.
    """
    data = {
        "image": "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii"),
        "box": list(box),
        "alt": alt,
        "mode": mode,
        "hint": hint,
        "highest": highest_rem,
        "spots": [{"number": s.number, "label": s.label, "outline": _thinned(s.outline)} for s in spots],
    }
    return read_touch(_component("picture")(data=data, key=key, on_touched_change=_nothing).touched)


def pasted(key: str) -> tuple[str, bytes] | None:
    """Listen for a picture pasted anywhere on the page; return its name and bytes in the run it arrived."""
    return read_paste(_component("paste")(key=key, on_pasted_change=_nothing).pasted)


def read_touch(answer: Any) -> Touch | None:
    """Turn what the browser sent into a touch; anything that is not one is dropped."""
    if not isinstance(answer, Mapping):
        return None
    number, points = answer.get("number"), answer.get("points", [])
    if isinstance(number, int) and not isinstance(number, bool):
        return Touch(number=number)
    if not isinstance(points, list) or not points or len(points) > 2000:
        return None
    read = tuple(_point(p) for p in points)
    return Touch(points=tuple(p for p in read if p is not None)) if None not in read else None


def read_paste(answer: Any) -> tuple[str, bytes] | None:
    """Turn what the browser sent into a file name and bytes; anything else is dropped."""
    if not isinstance(answer, Mapping):
        return None
    name, written = answer.get("name"), answer.get("base64")
    if not isinstance(name, str) or not isinstance(written, str):
        return None
    try:
        return name[:120], base64.b64decode(written, validate=True)
    except ValueError:
        return None


def _point(written: Any) -> tuple[float, float] | None:
    if isinstance(written, list) and len(written) == 2 and all(isinstance(v, int | float) for v in written):
        return float(written[0]), float(written[1])
    return None


def _thinned(outline: Sequence[Sequence[float]], most: int = 60) -> list[list[float]]:
    """A finger needs no more corners than these."""
    step = max(1, len(outline) // most)
    return [[round(x, 1), round(y, 1)] for x, y in outline[::step]]


def _nothing() -> None:
    """Streamlit asks for a callback wherever a component answers once."""


@cache
def _component(name: str) -> Callable[..., Any]:
    def part(ending: str) -> str | None:
        path = _FOLDER / f"{name}.{ending}"
        return path.read_text(encoding="utf-8") if path.exists() else None

    return st.components.v2.component(
        f"truelobe_{name}", html=part("html"), css=part("css"), js=part("js"), isolate_styles=False
    )
