"""CSV and XLSX of any search or choice: one row per pepper, one without figures per unmeasured plate.

Words that a spreadsheet would take for a formula are written as words.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import xlsxwriter

from truelobe.gallery.export import appearing
from truelobe.gallery.search import Query, uids
from truelobe.store import Inspection, PepperFigures, Store

PLATE_COLUMNS = ("plate", "title", "plate date", "status", "grade", "rules", "tags", "example", "teaching note")
PEPPER_COLUMNS = (
    "pepper",
    "color",
    "pose",
    "diameter mm",
    "diameter u mm",
    "width seen mm",
    "length mm",
    "length u mm",
    "not fully colored",
    "not fully colored u",
    "pepper grade",
    "defects",
)
NAME_COLUMNS = ("kept by",)
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def header(names: bool) -> tuple[str, ...]:
    """Return the names of the columns; `u` is a standard uncertainty, shares are fractions."""
    return (*PLATE_COLUMNS, *PEPPER_COLUMNS, *(NAME_COLUMNS if names else ()))


def rows(store: Store, which: Query | Sequence[str], *, names: bool = False) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of every plate a query asks for, or of the plates named, plate by plate."""
    for uid in uids(store, which) if isinstance(which, Query) else which:
        plate = store.inspections.get(uid)
        said = (plate.who,) if names else ()
        for pepper in plate.peppers or (None,):
            yield (*_plate(plate), *_pepper(plate, pepper), *said)


def _plate(plate: Inspection) -> tuple[Any, ...]:
    return (
        plate.uid,
        plate.title,
        plate.plate_date.isoformat(),
        plate.status,
        plate.grade,
        plate.grade_rules,
        ", ".join(plate.tags),
        "yes" if plate.example else "no",
        plate.teaching_note,
    )


def _pepper(plate: Inspection, pepper: PepperFigures | None) -> tuple[Any, ...]:
    if pepper is None:
        defects = [defect.name for defect in plate.defects]
        return (*([None] * (len(PEPPER_COLUMNS) - 1)), ", ".join(defects))
    defects = [defect.name for defect in plate.defects if defect.number in (0, pepper.number)]
    return (
        pepper.number,
        pepper.colour,
        pepper.pose,
        pepper.diameter_mm,
        pepper.diameter_u_mm,
        pepper.width_seen_mm,
        pepper.length_mm,
        pepper.length_u_mm,
        pepper.not_fully_coloured,
        pepper.not_fully_coloured_u,
        pepper.grade,
        ", ".join(defects),
    )


def write_csv(store: Store, path: Path, which: Query | Sequence[str], *, names: bool = False) -> int:
    """Write a CSV file (RFC 4180, UTF-8 with a mark that spreadsheets look for). Returns the number of rows."""
    count = 0
    with appearing(path) as waiting, waiting.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header(names))
        for row in rows(store, which, names=names):
            writer.writerow([_as_words(cell) for cell in row])
            count += 1
    return count


def _as_words(cell: Any) -> Any:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def write_xlsx(store: Store, path: Path, which: Query | Sequence[str], *, names: bool = False) -> int:
    """Write an XLSX file, row by row to disk. Returns the number of rows."""
    count = 0
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with appearing(path) as waiting, xlsxwriter.Workbook(str(waiting), options) as book:
        sheet = book.add_worksheet("Peppers")
        sheet.freeze_panes(1, 0)
        sheet.write_row(0, 0, header(names))
        for row in rows(store, which, names=names):
            count += 1
            sheet.write_row(count, 0, row)
    return count
