"""Plates of the gallery as a printable list: picture, name, the three figures, grade, what it teaches.

The first `MOST` plates of a search; what was left out is said at the end. Nicknames are never printed.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from PIL import Image as Picture
from reportlab.lib.pagesizes import LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from truelobe.gallery import Card, Query, cards, find
from truelobe.gallery.export import appearing
from truelobe.grading.cautions import foot_line
from truelobe.report.graded_words import day_words
from truelobe.report.signs import LINE, style
from truelobe.store import Store
from truelobe.units import inch_fraction, percent

MOST = 400
_MARGIN = 16 * mm
_WIDE = 40 * mm
_PX = 300


def write_list(store: Store, path: Path, which: Query | Sequence[str]) -> int:
    """Write the list as a PDF of as many Letter pages as it needs. Returns how many plates it shows.

    Parameters
    ----------
    which : Query or sequence of str
        A search, or the plates by name.
    """
    shown, more = _cards(store, which)
    rows = [_row(store, card) for card in shown]
    title = "Plates of the gallery"
    parts: list[Flowable] = [Paragraph(title, style(15, bold=True, after=6))]
    if rows:
        table = Table(rows, colWidths=[_WIDE + 4 * mm, LETTER[0] - 2 * _MARGIN - _WIDE - 4 * mm])
        table.setStyle(
            TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.4, LINE)])
        )
        parts.append(table)
    last = f"The first {len(shown)} plates; there are more." if more else f"{len(shown)} plates."
    parts += [Spacer(1, 3 * mm), Paragraph(last, style(8.5, quiet=True))]
    with appearing(path) as waiting, waiting.open("wb") as file:
        document = SimpleDocTemplate(
            file, pagesize=LETTER, title=title, lang="en-US", invariant=1,
            leftMargin=_MARGIN, rightMargin=_MARGIN, topMargin=_MARGIN, bottomMargin=22 * mm,
        )  # fmt: skip
        document.build(parts, onFirstPage=_foot, onLaterPages=_foot)
    return len(shown)


def _cards(store: Store, which: Query | Sequence[str]) -> tuple[list[Card], bool]:
    if not isinstance(which, Query):
        return list(cards(store, which[:MOST])), len(which) > MOST
    page = find(store, which, limit=MOST)
    return list(page.cards), page.after is not None


def _row(store: Store, card: Card) -> list[Any]:
    name = card.title or f"Plate of {day_words(card.plate_date)}"
    lines = [Paragraph(f"<b>{escape(name[:200])}</b>", style(10, after=2))]
    figures = "; ".join(f"{label}: {' '.join(words).strip()}" for label, words in figure_words(card))
    lines.append(Paragraph(escape(figures), style(8.5)))
    quiet = [day_words(card.plate_date), *([card.grade] if card.grade else [])]
    lines.append(Paragraph(escape(", ".join(quiet)), style(8.5, quiet=True)))
    if card.teaching_note:
        lines.append(Paragraph(escape(card.teaching_note[:1000]), style(9)))
    picture = _picture(store.shelf.read(card.thumbnail_sha256)) if card.thumbnail_sha256 else ""
    return [picture, lines]


def _picture(thumbnail: bytes) -> Image:
    with Picture.open(io.BytesIO(thumbnail)) as opened:
        small = opened.convert("RGB")
    small.thumbnail((_PX, _PX))
    file = io.BytesIO()
    small.save(file, "JPEG", quality=82)
    factor = _WIDE / max(small.size)
    return Image(file, small.width * factor, small.height * factor)


def _foot(canvas: Canvas, document: Any) -> None:
    line = Paragraph(escape(f"{foot_line()} Printed {day_words(date.today())}. Page {document.page}."), style(7.5))
    _, high = line.wrapOn(canvas, LETTER[0] - 2 * _MARGIN, 20 * mm)
    line.drawOn(canvas, _MARGIN, 18 * mm - high)


def figure_words(card: Card) -> Iterator[tuple[str, tuple[str, str]]]:
    """Yield a plate's three figures in words, over all its peppers: label, (inches or percent, mm)."""
    missing = "not seen" if card.pepper_count else "not measured"
    yield "Diameter", _lengths(card.diameter_mm, missing)
    yield "Length", _lengths(card.length_mm, missing)
    yield "Not fully colored", _shares(card.not_fully_coloured, missing)


def _lengths(span: tuple[float, float] | None, missing: str) -> tuple[str, str]:
    if span is None:
        return missing, ""
    low, high = (round(value) for value in span)
    inches = [inch_fraction(value) for value in span]
    if low == high:
        return inches[0], f"{low} mm"
    return f"{inches[0].removesuffix(' in')} to {inches[1]}", f"{low} to {high} mm"


def _shares(span: tuple[float, float] | None, missing: str) -> tuple[str, str]:
    if span is None:
        return missing, ""
    low, high = (percent(value) for value in span)
    return (low if low == high else f"{low.removesuffix(' %')} to {high}"), ""
