"""The plate sheet and the workbook: one page, every outcome by word and shape, legible without colour, safe."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta

import numpy as np
import openpyxl
import pypdfium2
import pytest
from PIL import Image
from reportlab.graphics import renderPDF
from reportlab.graphics.shapes import Drawing
from reportlab.pdfgen.canvas import Canvas
from tests.grading.grading_plates import AT, looked_at, pepper, plate

from truelobe.figures import from_normal
from truelobe.grading import HandFacts, load_rule_set
from truelobe.grading.blemish import Blemish
from truelobe.grading.plate import Setting, grade_plate
from truelobe.report.sheet import PlateSheet, class_sheet, plate_sheet
from truelobe.report.signs import sign
from truelobe.report.workbook import class_xlsx, graded_csv, graded_xlsx, outcome_rows

US, HOUSE = load_rule_set(), load_rule_set("house-rules")


def picture(wide=1200, high=800):
    written = io.BytesIO()
    Image.new("RGB", (wide, high), (200, 190, 170)).save(written, "JPEG")
    return written.getvalue()


def sheet(title="Plate 3", hand=None, document=None, photo=None):
    document = document or plate(*(pepper(n, length=95.0 if n != 2 else 85.0) for n in range(1, 6)))
    hand = looked_at(1, 2, 3, 4, 5) if hand is None else hand
    setting = Setting("red")
    graded, house = (grade_plate(document, hand, rules, setting) for rules in (US, HOUSE))
    photo = picture() if photo is None else photo
    return PlateSheet(title, photo, document, graded, hand, date(2026, 5, 14), date(2026, 5, 16), house)


def words(pdf):
    return " ".join(pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_range().split())


@pytest.mark.parametrize(("paper", "size"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_a_plate_is_one_page_of_the_paper_asked_for(paper, size):
    # ISO 216: A4 is 210 x 297 mm. ANSI/ASME Y14.1: Letter is 8.5 x 11 in.
    document = pypdfium2.PdfDocument(plate_sheet(sheet(), paper))
    assert len(document) == 1
    assert np.array(document[0].get_size()) / 72 * 25.4 == pytest.approx(size, abs=0.1)


def test_everything_a_reader_needs_is_on_the_page():
    hand = looked_at(1, 2, 3, 4, 5).record(4, "scars", "injury", AT + timedelta(minutes=1))
    text = words(plate_sheet(sheet(hand=hand)))
    for needed in (
        "U.S. Fancy", "met", "missed", "length is 4 mm short of 88.9 mm", "scars: injury", "How alike", "3-3/4 in",
        "effective 17 November 2005", "House rules", "May 14, 2026", "Printed May 16, 2026", "side seen",
        "Practice aid, not an inspection.", "belongs to a lot", "Do not eat practice produce", "Five of five",
    ):  # fmt: skip
        assert needed in text, needed
    assert "is U.S. Fancy" not in text


@pytest.mark.parametrize(
    "made",
    [
        sheet("word " * 60),
        sheet("x" * 300),
        sheet("<b>& 'quotes' \" </para>"),
        sheet(photo=b""),
        sheet(photo=picture(300, 2400)),
        sheet(hand=HandFacts()),
        sheet(document=plate()),
        sheet(document=plate(*(pepper(n, length=None, colour=None, uncoloured=0.15) for n in range(1, 13)))),
    ],
    ids=["long", "unbroken", "markup", "no picture", "tall", "no hand facts", "empty", "twelve"],
)
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_nothing_runs_over_one_page(made, paper):
    document = pypdfium2.PdfDocument(plate_sheet(made, paper))
    assert len(document) == 1
    page = np.asarray(document[0].render(scale=1).to_pil().convert("L"))
    # Nothing is printed in the outer 5 mm.
    border = np.concatenate([page[:14].ravel(), page[-14:].ravel(), page[:, :14].ravel(), page[:, -14:].ravel()])
    assert border.min() > 200


def test_signs_differ_by_shape_alone():
    drawn = {}
    for outcome in ("met", "missed", "too close", "not checked"):
        written = io.BytesIO()
        canvas = Canvas(written, pagesize=(40, 40))
        picture_of = Drawing(40, 40)
        picture_of.add(sign(outcome, 40))
        renderPDF.draw(picture_of, canvas, 0, 0)
        canvas.showPage()
        canvas.save()
        page = pypdfium2.PdfDocument(written.getvalue())[0].render(scale=1).to_pil().convert("L")
        drawn[outcome] = np.asarray(page) < 128
    names = list(drawn)
    for n, one in enumerate(names):
        for other in names[n + 1 :]:
            assert (drawn[one] != drawn[other]).mean() > 0.08, (one, other)


def test_open_outcomes_share_a_ring_and_are_told_apart_by_their_words():
    text = words(plate_sheet(sheet(hand=HandFacts())))
    assert "not checked" in text
    assert "Nothing was recorded by hand." in text


def test_the_fonts_are_embedded():
    # A page that is printed elsewhere must not depend on that machine's fonts.
    assert plate_sheet(sheet()).count(b"/FontFile2") >= 2


def test_the_sheet_is_the_same_each_time():
    assert plate_sheet(sheet()) == plate_sheet(sheet())


def test_a_class_of_four_is_one_page():
    pdf = class_sheet("Class 2", [sheet(f"Plate {n}") for n in "ABCD"])
    assert len(pypdfium2.PdfDocument(pdf)) == 1
    text = words(pdf)
    assert all(f"{n} Plate {letter}" in text for n, letter in enumerate("ABCD", start=1))
    assert "Practice aid, not an inspection." in text
    assert "dotted ring" not in text
    with pytest.raises(ValueError, match="four"):
        class_sheet("Class 2", [])


def test_a_class_sheet_says_once_what_a_dotted_ring_is():
    spot = {"look": "dark", "centre_px": [90.0, 80.0], "radius_px": 6.0, "contrast": 14.0}
    ringed = plate(*(pepper(n, spots=[spot] if n == 3 else []) for n in range(1, 6)))
    sheets = [sheet(f"Plate {n}", document=ringed) for n in "ABCD"]
    for paper in ("A4", "Letter"):
        pdf = class_sheet("Class 2", sheets, paper)
        assert words(pdf).count("A dotted ring is a place worth a look; it is neither named nor counted.") == 1
        assert len(pypdfium2.PdfDocument(pdf)) == 1


def test_marked_areas_are_on_the_sheet():
    mark = Blemish("scars", from_normal(120, 10), from_normal(12.4, 0.5), from_normal(0.012, 0.001), 0.0)
    document = plate(*(pepper(n, blemishes=[mark.document()] if n == 2 else []) for n in range(1, 6)))
    text = words(plate_sheet(sheet(document=document)))
    assert "Marked on the picture. 2a, scars: 120 mm², give or take 20" in text


def test_a_later_day_stands_beside_the_first_on_the_sheet():
    hand = looked_at(1, 2, 3, 4, 5).record(5, "firmness", "soft", AT + timedelta(days=2))
    assert "Number 5, firmness: firm on May 14, 2026, later soft." in words(plate_sheet(sheet(hand=hand)))


def test_the_workbook_holds_every_outcome_and_the_cautions():
    made = sheet()
    book = openpyxl.load_workbook(io.BytesIO(graded_xlsx(made)))
    assert book.sheetnames == ["Plate", "Grades", "Figures", "Outcomes", "By hand"]
    assert book["Outcomes"].max_row == 1 + len(outcome_rows(made))
    everything = " ".join(str(cell.value) for row in book["Plate"] for cell in row)
    assert "Practice aid, not an inspection." in everything
    assert "effective 17 November 2005" in everything
    four = openpyxl.load_workbook(io.BytesIO(class_xlsx([made] * 4)))
    assert len(four.sheetnames) == 20


@pytest.mark.parametrize("typed", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", '=HYPERLINK("http://x","y")'])
def test_what_a_person_typed_is_never_a_formula(typed):
    # OWASP, CSV injection: cells that begin with = + - @, tab or carriage return.
    hand = looked_at(1, 2, 3, 4, 5).record(1, "scars", "injury", AT, note=typed, by=typed)
    made = sheet(title=typed, hand=hand)
    book = openpyxl.load_workbook(io.BytesIO(graded_xlsx(made)))
    cells = [cell for name in book.sheetnames for row in book[name] for cell in row]
    assert all(cell.data_type != "f" for cell in cells)
    assert all(cell.hyperlink is None for cell in cells)
    values = [cell.value for cell in cells]
    # In the title, in who looked and in the note; nowhere bare.
    assert values.count(f"'{typed}") == 3
    assert typed not in values


def test_csv_has_a_line_per_pepper_and_requirement():
    made = sheet()
    lines = list(csv.reader(io.StringIO(graded_csv(made))))
    assert len(lines) == 2 + len(outcome_rows(made))
    length = next(line for line in lines if line[0] == "2" and line[4].startswith("length at least 88.9"))
    assert length[5] == "missed"


def test_a_dotted_ring_on_the_picture_is_explained():
    spot = {"look": "pale", "centre_px": [300.0, 400.0], "radius_px": 9.0}
    document = plate(*(pepper(n, spots=[spot] if n == 3 else []) for n in range(1, 6)))
    assert "A dotted ring is a place worth a look; it is neither named nor counted." in words(
        plate_sheet(sheet(document=document))
    )
    assert "dotted ring" not in words(plate_sheet(sheet()))
