"""A real pepper measured by a student, held against what the tool says, never harder than the tool is sure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sqlalchemy import insert, select

from truelobe.figures import Figure
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.store.base import now
from truelobe.store.models_gallery import InspectionRow
from truelobe.store.models_judging import StudentRow
from truelobe.store.models_practice import HandReadingRow
from truelobe.store.trouble import not_found
from truelobe.units import give_or_take

#: 95 % half-widths of a careful reading on a lobed, soft body, mm: our assumption, stated on the page.
INSTRUMENTS = {"ruler": 2.0, "caliper": 1.0, "ring": 2.0}
QUANTITIES = {"diameter_mm": "Diameter", "length_mm": "Length"}
#: Beyond this half-width the tool itself is unsure and judges nobody, mm.
UNSURE_MM = 6.0


@dataclass(frozen=True)
class Compared:
    """What came out. `verdict` is "agree", "apart" or "tool unsure"."""

    verdict: str
    words: str


def compare(reading_mm: float, figure: Figure, instrument: str) -> Compared:
    """Hold a reading against a figure.

    Raises
    ------
    TruelobeError
        ``reading-impossible`` outside 10 to 400 mm.
    """
    if not 10 <= reading_mm <= 400:
        raise TruelobeError("reading-impossible", "No pepper is that size.", "Check the unit and type it again.")
    said = f"The tool says {give_or_take(figure.value, figure.half_width)}; you read {reading_mm:.0f} mm."
    if figure.half_width > UNSURE_MM:
        return Compared(
            "tool unsure", f"{said} The tool is unsure itself here, so it does not judge your reading."
        )
    room = math.hypot(figure.half_width, INSTRUMENTS[instrument])
    if abs(reading_mm - figure.value) <= room:
        return Compared("agree", f"{said} The two agree as closely as both can.")
    return Compared(
        "apart",
        f"{said} They lie further apart than either should. Measure once more, at the widest place and square to "
        "the line from stem to blossom end; the photo may be at fault as well.",
    )


def keep_reading(
    store: Store, student: str, plate: str, pepper: int, quantity: str, instrument: str, reading_mm: float
) -> Compared:
    """Compare a reading with a kept plate's figure and keep it.

    Raises
    ------
    TruelobeError
        ``not-found``, ``reading-impossible``.
    """
    figure = figure_of(store, plate, pepper, quantity)
    found = compare(reading_mm, figure, instrument)
    low, high = figure.interval95
    values: dict[str, Any] = {"pepper": pepper, "quantity": quantity, "instrument": instrument}
    values |= {"reading_mm": reading_mm, "tool_mm": figure.value, "tool_low_mm": low, "tool_high_mm": high}
    with store.database.write() as connection:
        who = connection.execute(select(StudentRow.id).where(StudentRow.uid == student)).scalar()
        where = connection.execute(select(InspectionRow.id).where(InspectionRow.uid == plate)).scalar()
        if who is None:
            raise not_found("student")
        connection.execute(insert(HandReadingRow).values(**values, student_id=who, inspection_id=where, at=now()))
    return found


def figure_of(store: Store, plate: str, pepper: int, quantity: str) -> Figure:
    """Return the tool's figure of one pepper of a kept plate.

    Raises
    ------
    TruelobeError
        ``not-found`` when the plate, the pepper or the figure is missing.
    """
    document = store.inspections.document(plate) or {"peppers": []}
    for one in document["peppers"]:
        if one["number"] == pepper and one.get(quantity):
            return Figure.from_document(one[quantity])
    raise not_found("figure")
