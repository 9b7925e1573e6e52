"""The one style module: colours, spacing, signs and the small pieces of HTML that pages are made of.

Both appearances come from one sheet: Streamlit sets the page's `color-scheme`, `light-dark()` picks the colour.
Every text that goes into HTML passes `text()`.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import streamlit as st
from PIL import Image, ImageDraw

from truelobe.messages import Message
from truelobe.pages.options import DARK, LIGHT
from truelobe.report.words import unit_kept

# One sign per outcome, told apart by shape alone so that a black-and-white print says the same. They are masks,
# since pages may not carry drawings of their own; the colour is that of the text around them.
_SIGN_SHAPES: Mapping[str, str] = {
    "met": '<path fill-rule="evenodd" d="M10 1a9 9 0 1 0 0 18a9 9 0 0 0 0-18z'
    'M4.9 10.3l1.7-1.6 2.2 2.2 4.9-5.6 1.7 1.5-6.5 7.4z"/>',
    "missed": '<path fill-rule="evenodd" d="M1 1h18v18H1zm2.3 2.3v13.4h13.4V3.3zM5.5 8.7h9v2.6h-9z"/>',
    "too close": '<path d="M5 2h3.4v16H5zM11.6 2H15v16h-3.4z"/>',
    "other": '<circle cx="10" cy="10" r="8" fill="none" stroke="black" stroke-width="2.2" '
    'stroke-dasharray="2.6 2.4"/>',
}


@cache
def _sheet() -> str:
    names = [field.name for field in fields(LIGHT)]
    colours = "".join(
        f"--tl-{name.replace('_', '-')}: light-dark({getattr(LIGHT, name)}, {getattr(DARK, name)});"
        for name in names
    )
    sheet = (Path(__file__).parent / "style.css").read_text(encoding="utf-8")
    return f".stApp {{ {colours} }}\n{sheet}\n{_sign_rules()}"


def _sign_rules() -> str:
    rules = ""
    for outcome, shape in _SIGN_SHAPES.items():
        drawing = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 20">{shape}</svg>'
        address = f"url('data:image/svg+xml,{quote(drawing)}')"
        rules += (
            f".tl-sign.{outcome.replace(' ', '-')} {{ -webkit-mask-image: {address}; mask-image: {address}; }}\n"
        )
    return rules


_FRACTION = re.compile(r"(\d)-(\d+/\d)")


def text(words: Any) -> str:
    """Return words safe to stand in HTML, a number with its fraction and its unit kept on one line."""
    together = _FRACTION.sub("\\1\u2011\\2", unit_kept(str(words)))
    return html.escape(together, quote=True)


def apply() -> None:
    """Lay the style over the page; called once per run, by the navigation."""
    st.html(f"<style>{_sheet()}</style>")


def show_html(piece: str) -> None:
    """Put a piece of our own HTML on the page."""
    st.html(piece)


def lead(words: str) -> None:
    """Say the one line that a page is about."""
    show_html(f'<p class="tl-lead">{text(words)}</p>')


def sign(outcome: str) -> str:
    """Return the sign of an outcome; its word stands beside it, so screen readers pass it over."""
    name = outcome.replace(" ", "-") if outcome in _SIGN_SHAPES else "other"
    return f'<span class="tl-sign {name}" aria-hidden="true"></span>'


def message_html(code: str, words: str, what_to_do: str, severity: str = "flag") -> str:
    """Return one message: what happened, then what to do."""
    # A flag inside a card says its own thing when the card is read; only plate-wide ones announce themselves.
    role = "note" if "small" in severity else "alert" if severity == "refusal" else "status"
    return (
        f'<div class="tl-message {text(severity)}" role="{role}" data-code="{text(code)}">'
        f"<p><strong>{text(words)}</strong></p><p>{text(what_to_do)}</p></div>"
    )


def say(message: Message) -> None:
    """Show a message of the tool."""
    show_html(message_html(message.code, message.text, message.what_to_do, message.severity))


def say_all(written: Iterable[Mapping[str, str]], severity: str) -> None:
    """Show the messages of a document."""
    pieces = [message_html(m["code"], m["text"], m["what_to_do"], severity) for m in written]
    if pieces:
        show_html("".join(pieces))


def to_top() -> None:
    """Bring the page's head into view: what is said there follows a button far below it."""
    scroll = "<script>document.querySelector('[data-testid=\"stMain\"]').scrollTo({ top: 0 });</script>"
    st.html(scroll, unsafe_allow_javascript=True)


def foot(words: str) -> None:
    """Close a page with a quiet line."""
    show_html(f'<div class="tl-foot">{text(words)}</div>')


def page_icon() -> Image.Image:
    """Return the icon of the browser's tab: a lobed outline between two marks."""
    icon = Image.new("RGBA", (64, 64), (0, 0, 0, 0))
    pen = ImageDraw.Draw(icon)
    for box in ((8, 14, 36, 52), (28, 14, 56, 52), (18, 10, 46, 56)):
        pen.ellipse(box, fill=LIGHT.accent)
    pen.rectangle((29, 2, 35, 14), fill=LIGHT.ink)
    return icon
