"""A graded plate as a workbook (XLSX) and as comma-separated values: one line per pepper, rule and outcome.

Words that a person typed are never taken for formulas.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

import xlsxwriter

from truelobe.grading.cautions import CAUTIONS, PRACTICE_AID
from truelobe.grading.vocabulary import FACTS
from truelobe.report.sheet import PlateSheet
from truelobe.report.table import disarmed, rows

_OUTCOMES = (
    "pepper", "rules", "edition", "grade", "requirement", "outcome", "probability_met", "decided_by", "speaks_for",
    "side", "why", "note",
)  # fmt: skip


def outcome_rows(sheet: PlateSheet) -> list[dict[str, Any]]:
    """Return one flat row per pepper and requirement, of the rule set and the house rules."""
    found = []
    for graded in filter(None, (sheet.graded, sheet.house)):
        for pepper in graded.peppers:
            for outcome in pepper.outcomes:
                values = (
                    pepper.number, graded.rules["name"], graded.rules["edition"], outcome.grade, outcome.label,
                    outcome.outcome, outcome.probability, outcome.by, outcome.basis, outcome.side, outcome.says,
                    outcome.note,
                )  # fmt: skip
                found.append(dict(zip(_OUTCOMES, values, strict=True)))
    return found


def graded_csv(sheet: PlateSheet) -> str:
    """Return every outcome as comma-separated values (RFC 4180), a last line of caution."""
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\r\n")
    writer.writerow(_OUTCOMES)
    for row in outcome_rows(sheet):
        writer.writerow([disarmed(row[name]) for name in _OUTCOMES])
    writer.writerow([PRACTICE_AID])
    return written.getvalue()


def graded_xlsx(sheet: PlateSheet) -> bytes:
    """Return the plate as a workbook: answer, figures, outcomes, hand facts, rules and cautions."""
    return _workbook([_plate_tables("", sheet)])


def class_xlsx(sheets: Sequence[PlateSheet]) -> bytes:
    """Return the plates of a class as one workbook, numbered from 1."""
    return _workbook([_plate_tables(f"{n} ", sheet) for n, sheet in enumerate(sheets, start=1)])


Grid = list[list[Any]]


def _plate_tables(prefix: str, sheet: PlateSheet) -> dict[str, Grid]:
    grades = [[p.number, p.highest or "", p.answer, p.stands_between] for p in sheet.graded.peppers]
    answer: Grid = [
        ["Plate", sheet.title],
        ["Answer", sheet.graded.answer],
        ["Count", sheet.graded.count],
        *([["Color named", sheet.graded.colour.says]] if sheet.graded.colour else []),
        *[["Alike", line] for line in sheet.graded.uniformity.lines],
        ["Lot", sheet.graded.lot_note],
        ["Photo of", sheet.taken.isoformat()],
        *[["Rules", f"{g.rules['name']}, {g.rules['edition']}, revision {g.rules['revision']}"]
          for g in (sheet.graded, sheet.house) if g],
        [PRACTICE_AID],
        *[[caution.text, caution.source] for caution in CAUTIONS],
    ]  # fmt: skip
    hand: Grid = [["pepper", "fact", "found", "standard_uncertainty", "when", "who", "note"]]
    hand += [
        [e.pepper, FACTS[e.fact].label, e.value, e.u, e.at.isoformat(), e.by, e.note] for e in sheet.hand.entries
    ]
    return {
        f"{prefix}Plate": answer,
        f"{prefix}Grades": [["pepper", "highest", "answer", "what stands between"], *grades],
        f"{prefix}Figures": _grid(rows(sheet.document)),
        f"{prefix}Outcomes": _grid(outcome_rows(sheet)),
        f"{prefix}By hand": hand,
    }


def _grid(lines: Sequence[dict[str, Any]]) -> Grid:
    columns = list(dict.fromkeys(name for line in lines for name in line))
    return [columns, *[[line.get(name) for name in columns] for line in lines]]


def _workbook(plates: Iterable[dict[str, Grid]]) -> bytes:
    written = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "nan_inf_to_errors": True,
    }
    with xlsxwriter.Workbook(written, options) as book:
        book.set_properties({"comments": PRACTICE_AID})
        head = book.add_format({"bold": True, "bottom": 1})
        for tables in plates:
            for name, grid in tables.items():
                page = book.add_worksheet(name)
                page.set_column(0, 0, 14)
                page.set_column(1, 30, 22)
                for n, line in enumerate(grid):
                    style = head if n == 0 and not name.endswith("Plate") else None
                    for m, cell in enumerate(line):
                        page.write(n, m, disarmed(cell), style)
    return written.getvalue()
