"""The plate sheet and the class sheet: one printable page each, A4 or Letter.

Picture first, then the answer, the table, what the hand found, how alike the peppers are; at the foot the rules
with their edition, the date and the cautions. No seal, shield, ribbon or certificate frame.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal
from xml.sax.saxutils import escape

from PIL import Image as Picture
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepInFrame, Paragraph, Spacer, Table, TableStyle

from truelobe.figures import Figure
from truelobe.grading.cautions import PRACTICE_AID, caution
from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.pepper import PepperGrade
from truelobe.grading.plate import PlateGrade
from truelobe.report.graded_words import day_words, hand_lines, mark_lines, settled_word, shape_lines
from truelobe.report.signs import INK, LINE, signed_word, style
from truelobe.report.words import unit_kept
from truelobe.units import give_or_take, inch_fraction, percent

Paper = Literal["A4", "Letter"]
_PAPER = {"A4": A4, "Letter": LETTER}
_MARGIN = 14 * mm
_FOOT = 25 * mm
_GRADE = 17 * mm
# Letters of the last column: three lines of it.
_HOLDS = 70


@dataclass(frozen=True)
class PlateSheet:
    """What goes on one sheet.

    Attributes
    ----------
    title : str
        What the coach calls the plate.
    picture : bytes
        JPEG or PNG of the plate with numbered outlines; empty where there is none.
    document : mapping
        Of schema ``inspection-1``.
    graded : PlateGrade
    hand : HandFacts
    house : PlateGrade or None
        The same plate under the house rules.
    taken : date
        Day of the photo.
    printed : date
        Day of the sheet.
    """

    title: str
    picture: bytes
    document: Mapping[str, Any]
    graded: PlateGrade
    hand: HandFacts
    taken: date
    printed: date
    house: PlateGrade | None = None


def plate_sheet(sheet: PlateSheet, paper: Paper = "Letter") -> bytes:
    """Return the sheet of one plate as a PDF of one page."""
    page = _Page(paper, sheet.title)
    head: list[Flowable] = [
        Paragraph(escape(_short(sheet.title, 80)), style(15, bold=True, after=2)),
        Paragraph(escape(sheet.graded.answer), style(9.5, after=4)),
    ]
    body = [Spacer(1, 2 * mm), *_body(sheet, page.wide)]
    heights = sum(
        part.wrapOn(page.canvas, page.wide, page.high)[1] + part.getSpaceAfter() for part in [*head, *body]
    )
    picture = _picture(sheet.picture, page.wide, max(page.high - heights - 3 * mm, 42 * mm))
    page.put([*head, *picture, *body])
    page.foot(_rules_line(sheet), sheet.printed, ("grade", "eating", "hands"))
    return page.finished()


def class_sheet(title: str, sheets: Sequence[PlateSheet], paper: Paper = "Letter") -> bytes:
    """Return one page with the plates of a class beside each other, numbered from 1.

    Parameters
    ----------
    title : str
    sheets : sequence of PlateSheet
        Up to four.
    paper : {"A4", "Letter"}
    """
    if not 1 <= len(sheets) <= 4:
        raise ValueError("a class has up to four plates")
    page = _Page(paper, title)
    wide = page.wide / 2 - 3 * mm
    cells = [_class_cell(n, sheet, wide, page.high / 2 - 19 * mm) for n, sheet in enumerate(sheets, start=1)]
    cells += [[Spacer(1, 1)]] * (-len(cells) % 2)
    rows = [cells[n : n + 2] for n in range(0, len(cells), 2)]
    grid = Table(rows, colWidths=[page.wide / 2] * 2)
    grid.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
            ]
        )
    )
    notes = dict.fromkeys(note for sheet in sheets for note in _notes(sheet) if note != sheet.graded.lot_note)
    legend = Paragraph(escape(" ".join(notes)), style(6.8, quiet=True))
    page.put([Paragraph(escape(_short(title, 80)), style(15, bold=True, after=4)), grid, legend])
    page.foot(_rules_line(sheets[0]), sheets[0].printed, ("grade", "eating"))
    return page.finished()


class _Page:
    """One page with a foot; everything above it is shrunk to fit, so that nothing ever runs to a second page."""

    def __init__(self, paper: Paper, title: str) -> None:
        self.size = _PAPER[paper]
        self.wide, self.high = self.size[0] - 2 * _MARGIN, self.size[1] - _MARGIN - _FOOT
        self._file = io.BytesIO()
        style()
        self.canvas = Canvas(self._file, pagesize=self.size, invariant=1, lang="en-US")
        self.canvas.setTitle(title)
        self.canvas.setSubject(PRACTICE_AID)

    def put(self, parts: list[Flowable]) -> None:
        frame = KeepInFrame(self.wide, self.high, parts, mode="shrink")
        _, used = frame.wrapOn(self.canvas, self.wide, self.high)
        frame.drawOn(self.canvas, _MARGIN, self.size[1] - _MARGIN - used)

    def foot(self, rules: str, printed: date, topics: Sequence[str]) -> None:
        words = " ".join(caution(topic).text for topic in topics)
        lines = Paragraph(f"{escape(rules)}<br/>{escape(words)}", style(6.4, quiet=True))
        last = Paragraph(f"<b>{PRACTICE_AID}</b> Printed {day_words(printed)}.", style(7.0))
        _, high = lines.wrapOn(self.canvas, self.wide, _FOOT)
        _, low = last.wrapOn(self.canvas, self.wide, _FOOT)
        self.canvas.setStrokeColor(LINE)
        self.canvas.line(_MARGIN, 8 * mm + low + high + 3, self.size[0] - _MARGIN, 8 * mm + low + high + 3)
        lines.drawOn(self.canvas, _MARGIN, 8 * mm + low)
        last.drawOn(self.canvas, _MARGIN, 7 * mm)

    def finished(self) -> bytes:
        self.canvas.showPage()
        self.canvas.save()
        return self._file.getvalue()


def _short(words: str, most: int) -> str:
    words = " ".join(words.split())
    return words if len(words) <= most else f"{words[: most - 1].rstrip()}…"


def _picture(data: bytes, wide: float, high: float) -> list[Flowable]:
    if not data:
        return []
    with Picture.open(io.BytesIO(data)) as picture:
        across, down = picture.size
    scale = min(wide / across, high / down)
    return [Image(io.BytesIO(data), across * scale, down * scale, hAlign="LEFT")]


def _body(sheet: PlateSheet, wide: float) -> list[Flowable]:
    parts: list[Flowable] = [_table(sheet, wide), Spacer(1, 2 * mm)]
    for heading, lines in (
        ("Found by hand", _hand(sheet)),
        ("Marked on the picture", mark_lines(sheet.document)),
        ("Shape of the side seen, beside the word by hand", shape_lines(sheet.document)),
        ("How alike", [sheet.graded.count, *sheet.graded.uniformity.lines]),
        ("Color named", [sheet.graded.colour.says] if sheet.graded.colour else []),
        ("Keep in mind", _notes(sheet)),
    ):
        if lines:
            text = unit_kept(" ".join(escape(line) for line in lines))
            parts.append(Paragraph(f"<b>{heading}.</b> {text}", style(7.6, after=3)))
    return parts


def _table(sheet: PlateSheet, wide: float) -> Table:
    grades = [grade.name for grade in sheet.graded.peppers[0].grades] if sheet.graded.peppers else []
    house = bool(sheet.house and sheet.house.peppers)
    head = [
        "",
        "Diameter",
        "Length",
        "Not fully colored, side seen",
        *grades,
        *(["House color"] if house else []),
        "What holds it",
    ]
    small = style(7.0)
    rows: list[list[Any]] = [[Paragraph(f"<b>{escape(word)}</b>", style(6.8)) for word in head]]
    for place, (pepper, grade) in enumerate(zip(sheet.document["peppers"], sheet.graded.peppers, strict=True)):
        row: list[Any] = [Paragraph(f"<b>{grade.number}</b>", style(10))]
        row += [Paragraph(_length(pepper, sheet.hand, name), small) for name in ("diameter", "length")]
        row.append(Paragraph(_share(pepper), small))
        row += [signed_word(settled_word(one), _GRADE) for one in grade.grades]
        if sheet.house and house:
            row.append(signed_word(settled_word(sheet.house.peppers[place].grades[0]), _GRADE))
        row.append(Paragraph(unit_kept(escape(_holds(grade))), style(6.6)))
        rows.append(row)
    widths = [7 * mm, 27 * mm, 27 * mm, 22 * mm, *[_GRADE + 4] * (len(grades) + house)]
    table = Table(rows, colWidths=[*widths, max(wide - sum(widths), 24 * mm)], repeatRows=1, hAlign="LEFT")
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
                ("LINEBELOW", (0, 1), (-1, -1), 0.4, LINE),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 2.2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
            ]
        )
    )
    return table


def _holds(grade: PepperGrade) -> str:
    """What stands between a pepper and the next grade, whole reasons only: half of one reads like another."""
    held = " ".join(grade.stands_between.removeprefix("Between it and ").split())
    held = held[:1].upper() + held[1:]
    kept, *rest = held.rstrip(".").split("; ")
    for reason in rest:
        if len(f"{kept}; {reason}") > _HOLDS:
            return _short(f"{kept}; and more.", _HOLDS + 20)
        kept = f"{kept}; {reason}"
    return _short(held, _HOLDS + 20)


def _length(pepper: Mapping[str, Any], hand: HandFacts, name: str) -> str:
    by_hand = hand.figure(pepper["number"], name)
    written = pepper.get(f"{name}_mm")
    figure = by_hand or (Figure.from_document(written) if written else None)
    if figure is None:
        return "not seen"
    mark = "<br/>by hand" if figure.by_hand else ""
    millimetres = give_or_take(figure.value, figure.half_width).replace(", ", "<br/>")
    return unit_kept(f"<b>{inch_fraction(figure.value)}</b>, {millimetres}{mark}")


def _share(pepper: Mapping[str, Any]) -> str:
    written = pepper.get("not_fully_coloured")
    if not written:
        return "not seen"
    figure = Figure.from_document(written)
    points = max(1, round(100 * figure.half_width))
    return f"{percent(figure.value)}<br/>give or take {points}"


def _hand(sheet: PlateSheet) -> list[str]:
    return hand_lines([one.number for one in sheet.graded.peppers], sheet.hand)


def _notes(sheet: PlateSheet) -> list[str]:
    notes = [sheet.graded.lot_note] if sheet.graded.lot_note else []
    if any(o.basis == "seen" for o in sheet.graded.house):
        notes.append("Color from one photo speaks for the side seen.")
    if any(pepper.get("spots") for pepper in sheet.document["peppers"]):
        notes.append("A dotted ring is a place worth a look; it is neither named nor counted.")
    notes.append("“Give or take” is half of the range that holds the true value 19 times out of 20.")
    return notes


def _rules_line(sheet: PlateSheet) -> str:
    def named(rules: Mapping[str, Any]) -> str:
        return f"{rules['name']}, {rules['edition']}, revision {rules['revision']}"

    house = f"; {named(sheet.house.rules)}" if sheet.house else ""
    return f"Judged by: {named(sheet.graded.rules)}{house}. Photo of {day_words(sheet.taken)}."


def _class_cell(number: int, sheet: PlateSheet, wide: float, high: float) -> list[Flowable]:
    head = Paragraph(f"<b>{number}</b>&nbsp; {escape(_short(sheet.title, 40))}", style(11, after=2))
    lines = [
        sheet.graded.answer,
        *sheet.graded.uniformity.lines[:3],
        *_hand(sheet)[:2],
    ]
    words = Paragraph("<br/>".join(unit_kept(escape(_short(line, 340))) for line in lines), style(6.8))
    room = high - head.wrap(wide, high)[1] - words.wrap(wide, high)[1] - 4 * mm
    picture = _picture(sheet.picture, wide, max(room, 30 * mm))
    return [KeepInFrame(wide, high, [head, *picture, Spacer(1, 1.5 * mm), words], mode="shrink")]
