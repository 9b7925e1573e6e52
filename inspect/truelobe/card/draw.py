"""Draw the scale card: one vector drawing, as a sheet to print (PDF) or as a picture edge to edge (PNG).

Every edge is drawn from the layout's own coordinates, so both forms are the same card to within the rasteriser's
rounding. The picture's resolution is a whole number of pixels per 10 mm: then both sides of the card are whole
pixels, the scale is equal along both, and the pixels per metre that a PNG states (its pHYs chunk) are exact.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import reportlab
from numpy.typing import NDArray
from PIL import Image
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from truelobe.card.layout import CardLayout, Patch, load_layout, marker_bits
from truelobe.card.nominal import lab_to_linear_srgb
from truelobe.messages import TruelobeError
from truelobe.units import inches

Paper = Literal["a4", "letter"]

PAPER_MM: dict[Paper, tuple[float, float]] = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
}  # ISO 216; 8.5 x 11 in
_POINT_MM = 25.4 / 72
_TOP_MM = 14.0
_LINE_MM = 0.25
_TICK_MM = 2.0
_FONTS = {"Card": "Vera.ttf", "Card-Bold": "VeraBd.ttf"}  # shipped inside ReportLab, embedded in the file
_DPI_RANGE = (50, 1200)


@dataclass(frozen=True)
class CardPicture:
    """The card as a PNG.

    Attributes
    ----------
    png : bytes
        The file.
    size_px : tuple of int
        Width and height.
    size_mm : tuple of float
        Width and height on the card; exactly `size_px` at `pixels_per_metre`.
    pixels_per_metre : int
        As the file states it.
    """

    png: bytes
    size_px: tuple[int, int]
    size_mm: tuple[float, float]
    pixels_per_metre: int


def patch_srgb(patch: Patch) -> tuple[float, float, float]:
    """Return the sRGB drive values (0..1, encoded) that ask a printer for the patch's nominal colour."""
    linear = np.clip(lab_to_linear_srgb(patch.lab), 0.0, 1.0)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return float(encoded[0]), float(encoded[1]), float(encoded[2])


def card_pdf(paper: Paper, print_number: int, layout: CardLayout | None = None) -> bytes:
    """Return a sheet of paper with the card at true size, a cut line and instructions.

    Parameters
    ----------
    paper : {"a4", "letter"}
    print_number : int
        0 to 9999; tells this printout from others, since each has its own measured size.
    layout : CardLayout, optional
        The newest edition without it.

    Raises
    ------
    TruelobeError
        ``card-print-number``.
    """
    layout = layout or load_layout()
    width, height = PAPER_MM[paper]
    pen = _Pen((width, height), ((width - layout.size_mm[0]) / 2, _TOP_MM), f"Scale card {layout.edition}")
    _draw_card(pen, layout, print_number)
    pen.rectangle(0, 0, *layout.size_mm, dash=True)
    _write_steps(pen, layout, print_number)
    return pen.finish()


def card_png(dpi: float, print_number: int = 0, layout: CardLayout | None = None) -> CardPicture:
    """Return the card edge to edge as a picture, near the asked resolution.

    Raises
    ------
    TruelobeError
        ``card-resolution`` outside 50 to 1200 dots per inch; ``card-print-number``.
    """
    layout = layout or load_layout()
    if not _DPI_RANGE[0] <= dpi <= _DPI_RANGE[1]:
        raise TruelobeError(
            "card-resolution",
            f"The card's picture can have {_DPI_RANGE[0]} to {_DPI_RANGE[1]} dots per inch; {dpi:g} is outside.",
            "Choose 300 for print.",
        )
    per_cm = round(dpi / 2.54)
    size_px = (round(layout.size_mm[0] * per_cm / 10), round(layout.size_mm[1] * per_cm / 10))
    pen = _Pen(layout.size_mm, (0.0, 0.0), f"Scale card {layout.edition}")
    _draw_card(pen, layout, print_number)
    buffer = io.BytesIO()
    _rasterise(pen.finish(), size_px).save(buffer, "PNG", dpi=(per_cm * 2.54, per_cm * 2.54), optimize=False)
    return CardPicture(buffer.getvalue(), size_px, layout.size_mm, per_cm * 100)


def save(path: Path, content: bytes) -> None:
    """Write a finished file.

    Raises
    ------
    TruelobeError
        ``file-not-written``.
    """
    try:
        path.write_bytes(content)
    except OSError as error:
        raise TruelobeError(
            "file-not-written",
            f"The file {path.name} could not be written: {error.strerror}.",
            "Choose another folder, or free some space.",
        ) from error


class _Pen:
    """A ReportLab canvas in millimetres of the card frame: origin at the card's top-left corner, y down."""

    def __init__(self, page_mm: tuple[float, float], card_at_mm: tuple[float, float], title: str) -> None:
        for name, file in _FONTS.items():
            if name not in pdfmetrics.getRegisteredFontNames():
                pdfmetrics.registerFont(TTFont(name, str(Path(reportlab.__file__).parent / "fonts" / file)))
        self._file = io.BytesIO()
        self._page_mm = page_mm
        size_pt = (page_mm[0] / _POINT_MM, page_mm[1] / _POINT_MM)
        self._canvas: Any = Canvas(self._file, pagesize=size_pt, invariant=1, pageCompression=1)
        self._canvas.setTitle(title)
        self._canvas.setViewerPreference("PrintScaling", "None")  # asks the print dialogue for actual size
        self._canvas.scale(1 / _POINT_MM, 1 / _POINT_MM)
        self._canvas.translate(card_at_mm[0], page_mm[1] - card_at_mm[1])

    def fill(
        self, boxes: list[tuple[float, float, float, float]], colour: tuple[float, float, float] = (0, 0, 0)
    ) -> None:
        """Fill boxes (x, y, width, height) as one path, so that touching ones show no seam."""
        self._canvas.setFillColorRGB(*colour)
        path = self._canvas.beginPath()
        for x, y, width, height in boxes:
            path.moveTo(x, -y)
            path.lineTo(x + width / 2, -y)  # a point too many: rasterisers move plain rectangles to whole pixels
            path.lineTo(x + width, -y)
            path.lineTo(x + width, -y - height)
            path.lineTo(x, -y - height)
            path.close()
        self._canvas.drawPath(path, stroke=0, fill=1)

    def line(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Draw a thin black line."""
        self._canvas.setStrokeColorRGB(0, 0, 0)
        self._canvas.setLineWidth(_LINE_MM)
        self._canvas.line(start[0], -start[1], end[0], -end[1])

    def rectangle(
        self, x: float, y: float, width: float, height: float, radius: float = 0.0, dash: bool = False
    ) -> None:
        """Draw a thin outline whose middle is the given size."""
        self._canvas.setLineWidth(0.15)
        self._canvas.setStrokeColorRGB(0.35, 0.35, 0.35)
        self._canvas.setDash([2, 1.5] if dash else [])
        self._canvas.roundRect(x, -y - height, width, height, radius, stroke=1, fill=0)
        self._canvas.setDash([])

    def write(
        self, at: tuple[float, float], size: float, text: str, bold: bool = False, turn_deg: float = 0.0
    ) -> None:
        """Write a line of text from its baseline's start."""
        self._canvas.saveState()
        self._canvas.setFillColorRGB(0, 0, 0)
        self._canvas.setFont("Card-Bold" if bold else "Card", size)
        self._canvas.translate(at[0], -at[1])
        self._canvas.rotate(turn_deg)
        self._canvas.drawString(0, 0, text)
        self._canvas.restoreState()

    def finish(self) -> bytes:
        """Close the page and return the PDF."""
        self._canvas.showPage()
        self._canvas.save()
        return self._file.getvalue()


def _draw_card(pen: _Pen, layout: CardLayout, print_number: int) -> None:
    digits = layout.code.digits(layout.edition_index, print_number)
    board = layout.charuco
    side = board.square_mm
    left, top = board.origin_mm
    pen.fill([(left + side * column, top + side * row, side, side) for column, row in board.squares(black=True)])
    for marker_id, corners in enumerate(board.markers_mm):
        _draw_marker(pen, corners[0], board.marker_mm, board.dictionary, marker_id)
    for digit, corners in zip(digits, layout.code.places_mm, strict=True):
        _draw_marker(pen, corners[0], layout.code.marker_mm, board.dictionary, layout.code.first_id + digit)
    for patch in layout.patches:
        pen.fill([patch.box_mm], patch_srgb(patch))
    frame = layout.id1_frame
    pen.rectangle(*frame.origin_mm, *frame.size_mm, frame.radius_mm)
    _draw_bars(pen, layout)
    words = _words(layout, print_number)
    for text in layout.texts:
        pen.write(text.at_mm, text.size_mm, text.text.format(**words), text.bold, text.turn_deg)


def _draw_marker(pen: _Pen, start: NDArray[np.float64], side: float, book: str, marker_id: int) -> None:
    white = marker_bits(book, marker_id)
    cell = side / len(white)
    pen.fill([(start[0], start[1], side, side)])
    boxes = [(start[0] + cell * x, start[1] + cell * y, cell, cell) for y, x in np.argwhere(white)]
    pen.fill(boxes, (1, 1, 1))


def _draw_bars(pen: _Pen, layout: CardLayout) -> None:
    for bar, along_x in ((layout.across, True), (layout.down, False)):
        pen.line(bar.from_mm, bar.to_mm)
        for x, y in (bar.from_mm, bar.to_mm):
            reach = (0.0, _TICK_MM) if along_x else (_TICK_MM, 0.0)
            pen.line((x - reach[0], y - reach[1]), (x + reach[0], y + reach[1]))


def _words(layout: CardLayout, print_number: int) -> dict[str, Any]:
    across, down = layout.across.length_mm, layout.down.length_mm
    return {
        "edition": layout.edition,
        "number": print_number,
        "across_mm": across,
        "across_in": inches(across),
        "down_mm": down,
        "down_in": inches(down),
    }


def _write_steps(pen: _Pen, layout: CardLayout, print_number: int) -> None:
    words = _words(layout, print_number)
    y = layout.size_mm[1] + 14
    pen.write((0, y), 5, "Scale card {edition}, print {number:04d}".format(**words), bold=True)
    for text in _STEPS:
        y += 7.5
        pen.write((0, y), 3.0, text.format(**words))
    pen.write((0, y + 11), 2.8, "Practice aid, not an inspection.")


_STEPS = (
    "1.  Print at actual size (100 %) on matt white paper. Switch off fit to page: it shrinks it by 3 to 6 %.",
    "2.  Measure both long lines of the card with a good ruler, middle of end mark to middle of end mark.",
    "     They should be {across_mm:.1f} mm ({across_in:.3f} in) and {down_mm:.1f} mm ({down_in:.3f} in).",
    "3.  Enter both readings under print {number:04d}. Without them every size carries half a percent more doubt.",
    "4.  Second check: a bank or ID card (85.60 x 53.98 mm) laid on the thin frame should just cover it.",
    "5.  Cut along the dashed line. Glue the card to something stiff and flat; a curled card measures wrong.",
    "6.  In the photo: card flat beside the plate, all of it in the picture, no shadow across it, nothing on it.",
    "7.  A faded, stained or creased card: print a new one, with a new print number.",
)


def _rasterise(pdf: bytes, size_px: tuple[int, int]) -> Image.Image:
    """Draw a one-page PDF onto exactly that many pixels."""
    document = pypdfium2.PdfDocument(pdf)
    page = document[0]
    bitmap = pypdfium2.PdfBitmap.new_native(*size_px, pdfium.FPDFBitmap_BGR)
    bitmap.fill_rect((255, 255, 255, 255), 0, 0, *size_px)
    # page.render() would round the size up and stretch; the raw call takes whole pixels
    pdfium.FPDF_RenderPageBitmap(bitmap, page, 0, 0, *size_px, 0, pdfium.FPDF_PRINTING)
    picture: Image.Image = bitmap.to_pil().convert("RGB").copy()
    document.close()
    return picture
