"""The one style module: colours, spacing, signs and the small pieces of HTML that pages are made of.

Both appearances come from one sheet: Streamlit sets the page's `color-scheme`, `light-dark()` picks the colour.
Every text that goes into HTML passes `text()`.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

import streamlit as st
from PIL import Image, ImageDraw

from truelobe.messages import Message
from truelobe.pages.options import DARK, LIGHT

_ROOT = "".join(f"--tl-{f.name.replace('_', '-')}: light-dark({getattr(LIGHT, f.name)}, {getattr(DARK, f.name)});"
                for f in fields(LIGHT))

_SHEET = """
.stApp { ROOT }
/* The answer first: no tall empty head, margins that leave a phone its width. */
header[data-testid="stHeader"] { height: 3rem; min-height: 3rem; background: var(--tl-paper);
  border-bottom: 1px solid var(--tl-line); }
.stMainBlockContainer, [data-testid="stMainBlockContainer"] { max-width: 72rem; padding: 3.9rem 1.5rem 3rem; }
@media (max-width: 640px) { [data-testid="stMainBlockContainer"] { padding: 3.6rem 0.9rem 3rem; } }
[data-testid="stMainBlockContainer"] h1 { font-size: 1.75rem; font-weight: 650; letter-spacing: -0.01em;
  padding: 0.6rem 0 0.2rem; }
[data-testid="stMainBlockContainer"] h2 { font-size: 1.3rem; font-weight: 650; padding: 0.8rem 0 0.2rem; }
[data-testid="stMainBlockContainer"] h3 { font-size: 1.08rem; font-weight: 650; padding: 0.3rem 0 0.1rem; }
.stApp :focus-visible { outline: 3px solid var(--tl-accent); outline-offset: 2px; }
.stButton button, .stDownloadButton button { min-height: 2.75rem; border-color: var(--tl-control); }
[data-testid="stElementToolbar"] { display: none; }
/* Streamlit fades help text and captions below what can be read in the sun. */
.stApp [data-testid="stCaptionContainer"], .stApp [data-testid="stCaptionContainer"] * { color: var(--tl-quiet);
  opacity: 1; }
.tl-lead { font-size: 1.12rem; line-height: 1.5; margin: 0 0 0.4rem; max-width: 46rem; }
.tl-quiet { color: var(--tl-quiet); }
.tl-small { font-size: 0.875rem; }
.tl-message { border-left: 4px solid var(--tl-control); border-radius: 0.3rem; padding: 0.65rem 0.9rem;
  margin: 0 0 0.5rem; background: var(--tl-raised); }
.tl-message p { margin: 0; } .tl-message p + p { margin-top: 0.2rem; }
.tl-message.flag { background: var(--tl-warning); border-color: #A66F00; }
.tl-message.refusal { background: var(--tl-refusal); border-color: #A3372B; }
.tl-cards { display: grid; grid-template-columns: repeat(auto-fill, minmax(17.5rem, 1fr)); gap: 0.9rem; }
.tl-card { border: 1px solid var(--tl-line); border-radius: 0.5rem; background: var(--tl-paper); overflow: hidden;
  display: flex; flex-direction: column; scroll-margin-top: 4rem; }
.tl-card > img { width: 100%; height: 13rem; object-fit: contain; background: var(--tl-raised); display: block; }
.tl-card > div { padding: 0.7rem 0.9rem 0.9rem; }
.tl-card h3 { margin: 0 0 0.4rem; padding: 0; }
.tl-card dl { margin: 0; display: grid; grid-template-columns: auto 1fr; gap: 0.15rem 0.8rem;
  align-items: baseline; }
.tl-card dt { color: var(--tl-quiet); font-size: 0.9rem; } .tl-card dd { margin: 0; text-align: right; }
.tl-card dd small { color: var(--tl-quiet); font-size: 0.85rem; display: block; }
.tl-card ul { list-style: none; margin: 0.6rem 0 0; padding: 0; }
.tl-card li { display: flex; gap: 0.5rem; padding: 0.22rem 0; margin: 0; align-items: flex-start;
  line-height: 1.35; }
.tl-card details { margin-top: 0.5rem; }
.tl-card summary, .tl-fold summary { cursor: pointer; color: var(--tl-accent); min-height: 1.6rem; }
.tl-next { background: var(--tl-raised); border-radius: 0.3rem; padding: 0.45rem 0.6rem; margin: 0.5rem 0 0; }
.tl-tag { display: inline-block; border: 1px solid var(--tl-control); border-radius: 1rem; font-size: 0.8rem;
  padding: 0 0.55rem; margin-left: 0.3rem; font-weight: 400; }
.tl-sign { flex: none; width: 1.15rem; height: 1.15rem; vertical-align: -0.2rem; color: var(--tl-ink); }
.tl-scroll { overflow-x: auto; max-width: 100%; }
.tl-table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; font-size: 0.95rem; }
.tl-table th, .tl-table td { text-align: left; padding: 0.4rem 0.7rem 0.4rem 0; border: 0; vertical-align: top;
  border-bottom: 1px solid var(--tl-line); }
.tl-table th { color: var(--tl-quiet); font-weight: 500; }
.tl-foot { border-top: 1px solid var(--tl-line); margin-top: 1.5rem; padding-top: 0.7rem; font-size: 0.9rem;
  color: var(--tl-quiet); }
@media print { header[data-testid="stHeader"], .stButton, .stDownloadButton { display: none; } }
""".replace("ROOT", _ROOT)

# One sign per outcome, told apart by shape alone so that a black-and-white print says the same.
_SIGN_SHAPES: Mapping[str, str] = {
    "met": '<circle cx="10" cy="10" r="9" fill="currentColor"/>'
    '<path d="M5.6 10.4l3 3 5.8-6.6" fill="none" stroke="var(--tl-paper)" stroke-width="2.2"/>',
    "missed": '<rect x="2" y="2" width="16" height="16" fill="none" stroke="currentColor" stroke-width="2.2"/>'
    '<path d="M6 10h8" stroke="currentColor" stroke-width="2.6"/>',
    "too close": '<path d="M7 2.5v15M13 2.5v15" stroke="currentColor" stroke-width="3.2"/>',
}
_OTHER_SHAPE = (
    '<circle cx="10" cy="10" r="8" fill="none" stroke="currentColor" stroke-width="2" stroke-dasharray="2.4 2.6"/>'
)


def text(words: Any) -> str:
    """Return words safe to stand in HTML."""
    return html.escape(str(words), quote=True)


def apply() -> None:
    """Lay the style over the page; called once per run, by the navigation."""
    st.html(f"<style>{_SHEET}</style>")


def show_html(piece: str) -> None:
    """Put a piece of our own HTML on the page."""
    st.html(piece)


def lead(words: str) -> None:
    """Say the one line that a page is about."""
    show_html(f'<p class="tl-lead">{text(words)}</p>')


def sign(outcome: str) -> str:
    """Return the sign of an outcome as inline SVG; its word stands beside it, so screen readers pass it over."""
    shape = _SIGN_SHAPES.get(outcome, _OTHER_SHAPE)
    return f'<svg class="tl-sign" viewBox="0 0 20 20" aria-hidden="true" focusable="false">{shape}</svg>'


def message_html(code: str, words: str, what_to_do: str, severity: str = "flag") -> str:
    """Return one message: what happened, then what to do."""
    role = "alert" if severity == "refusal" else "status"
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
