"""What a page's filters can offer: the words that plates carry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from truelobe.store import Store
from truelobe.store.models_gallery import DecisionRow, DefectRow, InspectionRow, PepperRow, TagRow


@dataclass(frozen=True)
class Choices:
    """What the gallery holds to choose from, for a page's filters."""

    colours: tuple[str, ...]
    grades: tuple[str, ...]
    defects: tuple[str, ...]
    tags: tuple[str, ...]
    who: tuple[str, ...]
    rules: tuple[str, ...]


def choices(store: Store) -> Choices:
    """Return every color, grade, defect, tag, nickname and rule that some plate carries."""
    columns: tuple[Any, ...] = (
        PepperRow.colour,
        InspectionRow.grade,
        DefectRow.defect,
        TagRow.tag,
        InspectionRow.who,
        DecisionRow.rule,
    )
    with store.database.read() as connection:
        found = [
            tuple(connection.execute(select(column).where(column != "").distinct().order_by(column)).scalars())
            for column in columns
        ]
    return Choices(*found)
