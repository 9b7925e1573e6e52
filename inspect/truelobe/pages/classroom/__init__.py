"""Small components of the class pages: the clock for the large screen, the grid for paper cards, a placing.

Each is one JavaScript function beside its style; what comes back is plain data that the judging room checks.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

from truelobe.judging.student_view import ms
from truelobe.store.base import now

_FOLDER = Path(__file__).parent
_WEB = _FOLDER.parent / "students" / "web"


def clock(deadline: datetime, seconds: int, key: str) -> None:
    """Show a large clock that runs in the browser; it sounds once near the end and twice at the end."""
    _component("clock")(data={"deadline": ms(deadline), "now": ms(now()), "seconds": seconds}, key=key)


def card_grid(rows: Sequence[Mapping[str, str]], key: str) -> dict[str, str]:
    """Show one line per student for the four digits of a paper card; return what was typed, by student.

    Parameters
    ----------
    rows : sequence of mapping
        ``student`` (identifier), ``nickname``, ``typed`` (what is kept so far), ``note``.
    """
    answer = _component("cards")(data={"rows": list(rows)}, key=key, on_typed_change=_nothing).typed
    return {str(k): str(v)[:16] for k, v in answer.items()} if isinstance(answer, Mapping) else {}


def placing(view: Mapping[str, Any], pictures: Mapping[str, bytes], key: str) -> list[dict[str, Any]]:
    """Show a class being placed, or its critique, as phones show it; return every tap made so far.

    Parameters
    ----------
    view : mapping
        ``now`` and ``class`` of a student's view.
    pictures : mapping of str to bytes
        WebP by the names in the view.
    """
    data = {
        "now": view["now"],
        "class": view["class"],
        "pictures": {n: f"data:image/webp;base64,{base64.b64encode(b).decode()}" for n, b in pictures.items()},
    }
    answer = _component("placing")(data=data, key=key, on_taps_change=_nothing).taps
    return [tap for tap in answer if isinstance(tap, dict)] if isinstance(answer, list) else []


def _nothing() -> None:
    """Streamlit asks for a callback wherever a component answers."""


@cache
def _component(name: str) -> Callable[..., Any]:
    script = (_FOLDER / f"{name}.js").read_text(encoding="utf-8")
    style = (_FOLDER / "classroom.css").read_text(encoding="utf-8")
    if name == "placing":  # a component is one piece of JavaScript, so the drawing is put before it
        drawing = (_WEB / "placing.js").read_text(encoding="utf-8")
        script = re.sub(r"^export ", "", drawing, flags=re.MULTILINE) + script
        style = (_WEB / "placing.css").read_text(encoding="utf-8")
    return st.components.v2.component(
        f"truelobe_{name}", html=f'<div class="tl-room-{name}"></div>', css=style, js=script, isolate_styles=False
    )
