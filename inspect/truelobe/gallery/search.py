"""Find plates: by words, figures, decisions and what people wrote; sorted, and paged by key.

Paging by key means that a page starts after the last plate of the one before, wherever it now stands: plates kept
or removed meanwhile make nobody see a plate twice or miss one.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from typing import Any, Literal, get_args

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, exists, func, select, tuple_

from truelobe.messages import TruelobeError
from truelobe.store import Store, words
from truelobe.store.models_gallery import (
    DecisionRow,
    DefectRow,
    InspectionPhotoRow,
    InspectionRow,
    PepperRow,
    PhotoRow,
    TagRow,
    WallItemRow,
    WallRow,
)

Sort = Literal[
    "kept, newest first",
    "plate date, newest first",
    "plate date, oldest first",
    "largest first",
    "smallest first",
    "least colored first",
    "most colored first",
    "title",
]
SORTS: tuple[Sort, ...] = get_args(Sort)
Range = tuple[float | None, float | None]
_KEYS: dict[str, tuple[Any, bool, str]] = {
    "kept, newest first": (InspectionRow.kept_at, True, "ix_inspections_kept"),
    "plate date, newest first": (InspectionRow.plate_date, True, "ix_inspections_plate_date"),
    "plate date, oldest first": (InspectionRow.plate_date, False, "ix_inspections_plate_date"),
    "largest first": (InspectionRow.sort_diameter_mm, True, "ix_inspections_diameter"),
    "smallest first": (InspectionRow.sort_diameter_mm, False, "ix_inspections_diameter"),
    "least colored first": (InspectionRow.sort_not_fully_coloured, True, "ix_inspections_coverage"),
    "most colored first": (InspectionRow.sort_not_fully_coloured, False, "ix_inspections_coverage"),
    "title": (InspectionRow.sort_title, False, "ix_inspections_title"),
}
ANY: Range = (None, None)
FEW = 2000


@dataclass(frozen=True)
class Query:
    """What to look for. Everything given must hold; what concerns a pepper must hold for one and the same pepper.

    Attributes
    ----------
    words : str
        Each word must occur, as the start of a word.
    colours, outcomes : tuple of str
        One of them.
    diameter_mm, length_mm, not_fully_coloured : (low, high)
        Both ends included; None leaves an end open. mm, and fractions.
    rule : str
        Narrows `outcomes` to one rule's decisions.
    measured : bool or None
        Only measured plates, only plates that were not, or both.
    binned : bool
        Look in the bin instead.
    """

    words: str = ""
    colours: tuple[str, ...] = ()
    diameter_mm: Range = ANY
    length_mm: Range = ANY
    not_fully_coloured: Range = ANY
    outcomes: tuple[str, ...] = ()
    rule: str = ""
    grade: str = ""
    defect: str = ""
    tag: str = ""
    who: str = ""
    first_day: date | None = None
    last_day: date | None = None
    measured: bool | None = None
    examples: bool = False
    wall: str = ""
    binned: bool = False
    sort: Sort = "kept, newest first"

    def text(self) -> str:
        """Write the query as JSON: only what is asked for."""
        asked = {
            name: value.isoformat() if isinstance(value, date) else value
            for name, value in asdict(self).items()
            if value != getattr(_NOTHING_ASKED, name)
        }
        return json.dumps(asked, ensure_ascii=False)

    @classmethod
    def from_text(cls, text: str) -> Query:
        """Read a query back; what this version does not know is left out."""
        asked = json.loads(text)
        known = {field.name for field in fields(cls)}
        values: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in asked.items()
            if name in known
        }
        for name in ("first_day", "last_day"):
            if values.get(name):
                values[name] = date.fromisoformat(values[name])
        if values.get("sort") not in SORTS:
            values.pop("sort", None)
        return cls(**values)


_NOTHING_ASKED = Query()


@dataclass(frozen=True)
class Card:
    """A plate as a page of results shows it. Spans are (smallest, largest) of its peppers, None if unmeasured."""

    uid: str
    version: int
    title: str
    status: str
    plate_date: date
    kept_at: datetime
    who: str
    example: bool
    teaching_note: str
    grade: str | None
    pepper_count: int
    colours: tuple[str, ...]
    diameter_mm: tuple[float, float] | None
    length_mm: tuple[float, float] | None
    not_fully_coloured: tuple[float, float] | None
    thumbnail_sha256: str | None
    photo_sha256: str | None


@dataclass(frozen=True)
class Page:
    """Some cards, and where the next page starts; `after` is None on the last one."""

    cards: tuple[Card, ...]
    after: str | None


def find(store: Store, query: Query = _NOTHING_ASKED, *, after: str | None = None, limit: int = 24) -> Page:
    """Return one page of the plates that a query asks for.

    Parameters
    ----------
    after : str, optional
        `Page.after` of the page before.

    Raises
    ------
    TruelobeError
        ``page-unknown`` when `after` is no such key.
    """
    key, falling, _ = _KEYS[query.sort]
    last = None if after is None else _from_cursor(after, query.sort)
    with store.database.read() as connection:
        statement = _ordered(connection, select(InspectionRow.__table__), query)
        if last is not None:
            here, there = tuple_(key, InspectionRow.id), tuple_(*last)
            statement = statement.where(here < there if falling else here > there)
        rows = connection.execute(statement.limit(limit + 1)).all()
        shown = rows[:limit]
        cards = cards_of(connection, shown)
    more = len(rows) > limit
    return Page(cards, _cursor(getattr(shown[-1], key.key), shown[-1].id) if more else None)


def count(store: Store, query: Query = _NOTHING_ASKED, at_most: int = 100) -> int:
    """Return how many plates a query asks for, counting no further than `at_most`."""
    with store.database.read() as connection:
        some = _ordered(connection, select(InspectionRow.id), query).limit(at_most).subquery()
        return connection.execute(select(func.count()).select_from(some)).scalar_one()


def uids(store: Store, query: Query) -> list[str]:
    """Return the identifiers of every plate a query asks for, in its order."""
    with store.database.read() as connection:
        return list(connection.execute(_ordered(connection, select(InspectionRow.uid), query)).scalars())


def _ordered(connection: Connection, statement: Select[Any], query: Query) -> Select[Any]:
    """Put a query's conditions and order on a selection from `inspections`, along the shorter of two ways.

    Where one condition alone leaves few plates, those are looked up first and everything else is checked on them.
    Where each leaves many, walking along the sort's index soon meets enough that fit all. Averages do not tell
    which it is, so it is found out, by asking each condition for its first few hundred plates.
    """
    key, falling, along = _KEYS[query.sort]
    where = conditions(query, connection.dialect.name)
    few = _few(connection, query)
    if few is None:
        statement = statement.with_hint(InspectionRow, f"INDEXED BY {along}", "sqlite")
        where += _beyond(query, key)
    else:
        statement = statement.with_hint(InspectionRow, "NOT INDEXED", "sqlite")
        where.append(InspectionRow.id.in_(few))
    order = (key.desc(), InspectionRow.id.desc()) if falling else (key, InspectionRow.id)
    return statement.where(*where).order_by(*order)


def _few(connection: Connection, query: Query) -> list[int] | None:
    """Return the plates of the first condition that leaves few, or None when each leaves many."""
    for source in _sources(query, connection.dialect.name):
        if connection.execute(source.limit(1).offset(FEW)).first() is None:
            return sorted(set(connection.execute(source).scalars()))
    return None


def _beyond(query: Query, key: Any) -> list[ColumnElement[bool]]:
    """Let a walk along sizes or coverages start where the first plate can be: the largest pepper reaches it."""
    ends = (
        (InspectionRow.sort_diameter_mm, query.diameter_mm[0]),
        (InspectionRow.sort_not_fully_coloured, query.not_fully_coloured[0]),
    )
    return [column >= low for column, low in ends if column is key and low is not None]


def _sources(query: Query, dialect: str) -> Iterator[Select[int]]:
    """Yield the plates that each condition leaves by itself, as one index can list them."""
    matching = words.matching(dialect, query.words)
    if matching is not None:
        yield matching
    pepper = _pepper_conditions(query)
    if pepper:
        yield select(PepperRow.inspection_id).where(*pepper)
    if query.outcomes:
        yield select(DecisionRow.inspection_id).where(*_decision_conditions(query))
    for value, column in ((query.defect, DefectRow.defect), (query.tag, TagRow.tag)):
        if value:
            yield select(column.class_.inspection_id).where(column == value)
    if query.wall:
        yield select(WallItemRow.inspection_id).join(WallRow).where(WallRow.uid == query.wall)
    for condition in _plate_conditions(query):
        yield select(InspectionRow.id).where(condition)


def conditions(query: Query, dialect: str) -> list[ColumnElement[bool]]:
    """Return what a query asks of a row of `inspections`, each part to be checked on one row."""
    plate = InspectionRow.id
    where = _plate_conditions(query)
    if not query.binned:
        where.append(InspectionRow.binned_at.is_(None))
    holding = words.holding(dialect, query.words, plate)
    if holding is not None:
        where.append(holding)
    pepper = _pepper_conditions(query)
    if query.outcomes and not pepper:
        where.append(exists().where(DecisionRow.inspection_id == plate, *_decision_conditions(query)))
    elif pepper:
        if query.outcomes:
            same = (DecisionRow.inspection_id == PepperRow.inspection_id, DecisionRow.number == PepperRow.number)
            pepper.append(exists().where(*same, *_decision_conditions(query)).correlate(PepperRow))
        where.append(exists().where(PepperRow.inspection_id == plate, *pepper))
    for value, column in ((query.defect, DefectRow.defect), (query.tag, TagRow.tag)):
        if value:
            where.append(exists().where(column.class_.inspection_id == plate, column == value))
    if query.wall:
        on_wall = and_(WallItemRow.inspection_id == plate, WallItemRow.wall_id == WallRow.id)
        where.append(exists().where(on_wall, WallRow.uid == query.wall))
    return where


def _plate_conditions(query: Query) -> list[ColumnElement[bool]]:
    row = InspectionRow
    where: list[ColumnElement[bool]] = [row.binned_at.is_not(None)] if query.binned else []
    where += [row.example.is_(True)] if query.examples else []
    where += [column == value for value, column in ((query.grade, row.grade), (query.who, row.who)) if value]
    if query.measured is not None:
        where.append(row.status.in_(("ok", "flagged")) if query.measured else row.status == "not measured")
    days = []
    days += [row.plate_date >= query.first_day] if query.first_day else []
    days += [row.plate_date <= query.last_day] if query.last_day else []
    return [*where, and_(*days)] if days else where


def _decision_conditions(query: Query) -> list[ColumnElement[bool]]:
    by_rule = [DecisionRow.rule == query.rule] if query.rule else []
    return [DecisionRow.outcome.in_(query.outcomes), *by_rule]


def _pepper_conditions(query: Query) -> list[ColumnElement[bool]]:
    where: list[ColumnElement[bool]] = [PepperRow.colour.in_(query.colours)] if query.colours else []
    ranges = (
        (query.diameter_mm, PepperRow.diameter_mm),
        (query.length_mm, PepperRow.length_mm),
        (query.not_fully_coloured, PepperRow.not_fully_coloured),
    )
    for (low, high), column in ranges:
        where += [column >= low] if low is not None else []
        where += [column <= high] if high is not None else []
    return where


def cards(store: Store, uids: Sequence[str]) -> tuple[Card, ...]:
    """Return the cards of plates by name, in the order given; those that are gone are left out."""
    with store.database.read() as connection:
        rows = connection.execute(select(InspectionRow.__table__).where(InspectionRow.uid.in_(list(uids)))).all()
        found = {card.uid: card for card in cards_of(connection, rows)}
    return tuple(found[uid] for uid in uids if uid in found)


def cards_of(connection: Connection, rows: Any) -> tuple[Card, ...]:
    """Return the cards of rows of `inspections`, in their order."""
    ids = [row.id for row in rows]
    peppers: dict[int, list[Row[Any]]] = {}
    for one in connection.execute(select(PepperRow.__table__).where(PepperRow.inspection_id.in_(ids))):
        peppers.setdefault(one.inspection_id, []).append(one)
    photos = {
        one.inspection_id: one
        for one in connection.execute(
            select(InspectionPhotoRow.inspection_id, PhotoRow.sha256, PhotoRow.thumbnail_sha256)
            .join(PhotoRow, PhotoRow.sha256 == InspectionPhotoRow.sha256)
            .where(InspectionPhotoRow.inspection_id.in_(ids), InspectionPhotoRow.position == 0)
        )
    }
    return tuple(_card(row, peppers.get(row.id, []), photos.get(row.id)) for row in rows)


def _card(row: Any, peppers: list[Row[Any]], photo: Any) -> Card:
    own = {
        name: getattr(row, name)
        for name in ("uid", "version", "title", "status", "plate_date", "kept_at", "who", "example")
    }
    return Card(
        **own,
        teaching_note=row.teaching_note,
        grade=row.grade,
        pepper_count=row.pepper_count,
        colours=tuple(sorted({pepper.colour for pepper in peppers if pepper.colour})),
        diameter_mm=_span(pepper.diameter_mm for pepper in peppers),
        length_mm=_span(pepper.length_mm for pepper in peppers),
        not_fully_coloured=_span(pepper.not_fully_coloured for pepper in peppers),
        thumbnail_sha256=photo.thumbnail_sha256 if photo else None,
        photo_sha256=photo.sha256 if photo else None,
    )


def _span(values: Any) -> tuple[float, float] | None:
    seen = [value for value in values if value is not None]
    return (min(seen), max(seen)) if seen else None


def _cursor(value: Any, inspection_id: int) -> str:
    written = value.isoformat() if isinstance(value, date) else value
    return base64.urlsafe_b64encode(json.dumps([written, inspection_id]).encode()).decode()


def _from_cursor(text: str, sort: str) -> tuple[Any, int]:
    column = _KEYS[sort][0]
    try:
        written, inspection_id = json.loads(base64.urlsafe_b64decode(text.encode()))
        if column is InspectionRow.kept_at:
            written = datetime.fromisoformat(written)
        elif column is InspectionRow.plate_date:
            written = date.fromisoformat(written)
        return written, int(inspection_id)
    except (ValueError, TypeError, binascii.Error):
        raise TruelobeError(
            "page-unknown", "This page of results is not known any more.", "Start again from the first page."
        ) from None
