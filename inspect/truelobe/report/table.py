"""The plate as a table: on the page, as CSV, and the name a downloaded file gets."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from truelobe.report.words import PRACTICE_AID
from truelobe.units import inches

_FIGURES = (
    ("diameter", "diameter_mm"),
    ("width_seen", "width_seen_mm"),
    ("length", "length_mm"),
)


def rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return one flat row per pepper: every figure with its interval, every decision in a column of its rule.

    Lengths are given in millimetres and in inches, shares in percent; an empty cell is a figure the photo did not
    give. Decisions stand under ``"<rule>: <quantity>"``.
    """
    return [_row(pepper) for pepper in document["peppers"]]


def _row(pepper: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {"pepper": pepper["number"], "color": pepper.get("colour"), "pose": pepper.get("pose")}
    for name, field in _FIGURES:
        figure = pepper.get(field)
        low, high = figure["interval95"] if figure else (None, None)
        row |= {
            f"{name}_mm": _rounded(figure and figure["value"], 2),
            f"{name}_low_mm": _rounded(low, 2),
            f"{name}_high_mm": _rounded(high, 2),
            f"{name}_in": _rounded(figure and inches(figure["value"]), 3),
        }
    share = pepper.get("not_fully_coloured")
    low, high = share["interval95"] if share else (None, None)
    row |= {
        "not_fully_colored_percent": _rounded(share and 100 * share["value"], 2),
        "not_fully_colored_low_percent": _rounded(None if low is None else 100 * low, 2),
        "not_fully_colored_high_percent": _rounded(None if high is None else 100 * high, 2),
        "by_hand": "; ".join(pepper.get("by_hand", [])),
    }
    for name, figure in (pepper.get("shape") or {}).items():
        row[name] = _rounded(figure and figure["value"], 3)
    for decision in pepper["decisions"]:
        row[f"{decision['rule']}: {decision['quantity']}"] = decision["outcome"]
    return row


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def as_csv(document: Mapping[str, Any]) -> str:
    """Return the table as comma-separated values (RFC 4180), a first line of names and a last one of caution.

    Cells that a spreadsheet would take for a formula are disarmed with an apostrophe.
    """
    lines = rows(document)
    columns: list[str] = list(dict.fromkeys(name for line in lines for name in line))
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\r\n")
    writer.writerow(columns or ["pepper"])
    for line in lines:
        writer.writerow([disarmed(line.get(name)) for name in columns])
    writer.writerow([PRACTICE_AID])
    return written.getvalue()


def disarmed(cell: Any) -> Any:
    """Return a cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def file_name(day: date, parts: Sequence[str], ending: str) -> str:
    """Return the name of a download: the day, then what it is.

    >>> file_name(date(2026, 5, 14), ["plate", "Plate 3.JPG"], "csv")
    'plate-2026-05-14-plate-3.csv'
    """
    kind, *rest = parts
    words = "-".join([kind, day.isoformat(), *filter(None, map(_slug, rest))])
    return f"{words[:90].rstrip('-')}.{ending}"


def _slug(part: str) -> str:
    without_ending = re.sub(r"\.[A-Za-z0-9]{1,5}$", "", part)
    return re.sub(r"[^a-z0-9]+", "-", without_ending.lower()).strip("-")
