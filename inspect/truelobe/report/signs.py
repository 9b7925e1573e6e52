"""The signs of the outcomes on paper, and the type that every sheet is set in.

Each outcome has a word and a shape, so that a black-and-white print says the same as a colour one.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import reportlab
from reportlab.graphics.shapes import Circle, Drawing, Group, Line, PolyLine, Rect, String
from reportlab.lib.colors import HexColor, white
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

INK, QUIET, LINE = (HexColor(c) for c in ("#1F2933", "#5B6770", "#D9D6CC"))
PLAIN, BOLD = "Sheet", "Sheet-Bold"
_FILES = {PLAIN: "Vera.ttf", BOLD: "VeraBd.ttf"}  # shipped inside ReportLab; embedded in the file


@cache
def use_type() -> None:
    """Make the two faces known to ReportLab."""
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(Path(reportlab.__file__).parent / "fonts" / file)))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)


def style(size: float = 8.0, *, bold: bool = False, quiet: bool = False, after: float = 0.0) -> ParagraphStyle:
    """Return a paragraph style of the sheets."""
    use_type()
    return ParagraphStyle(
        f"s{size}{bold}{quiet}{after}",
        fontName=BOLD if bold else PLAIN,
        fontSize=size,
        leading=size * 1.28,
        textColor=QUIET if quiet else INK,
        spaceAfter=after,
        splitLongWords=True,
    )


def signed_word(outcome: str, wide: float, size: float = 7.0) -> Drawing:
    """Return an outcome by sign and word, on two lines where one is too long.

    Parameters
    ----------
    outcome : str
        One of the outcomes of a decision.
    wide : float
        Room there is, in points.
    size : float
        Of the type, in points.
    """
    use_type()
    long = pdfmetrics.stringWidth(outcome, PLAIN, size) > wide - 1.5 * size
    words = outcome.rsplit(" ", 1) if long else [outcome]
    high = 1.3 * size * len(words)
    drawing = Drawing(wide, high)
    drawing.add(sign(outcome, 1.05 * size, (high - 1.1 * size) / 2))
    for n, word in enumerate(words):
        up = high - 1.3 * size * n - 0.98 * size
        drawing.add(String(1.5 * size, up, word, fontName=PLAIN, fontSize=size, fillColor=INK))
    return drawing


def sign(outcome: str, d: float, up: float = 0.0) -> Group:
    """Return the sign of an outcome in a square of side `d`: disc with tick, square with bar, strokes, ring."""
    line = {"strokeColor": INK, "strokeWidth": 0.13 * d, "fillColor": None}
    if outcome == "met":
        tick = [0.25 * d, 0.48 * d, 0.43 * d, 0.30 * d, 0.76 * d, 0.68 * d]
        shapes = [
            Circle(d / 2, d / 2, d / 2, fillColor=INK, strokeColor=None),
            PolyLine(tick, strokeColor=white, strokeWidth=0.14 * d),
        ]
    elif outcome == "missed":
        shapes = [
            Rect(0.06 * d, 0.06 * d, 0.88 * d, 0.88 * d, **line),
            Line(0.28 * d, d / 2, 0.72 * d, d / 2, **line),
        ]
    elif outcome == "too close":
        bold = line | {"strokeWidth": 0.18 * d}
        shapes = [Line(x * d, 0.05 * d, x * d, 0.95 * d, **bold) for x in (0.33, 0.67)]
    else:
        shapes = [Circle(d / 2, d / 2, 0.42 * d, strokeDashArray=(0.13 * d, 0.16 * d), **line)]
    return Group(*shapes, transform=(1, 0, 0, 1, 0, up))
