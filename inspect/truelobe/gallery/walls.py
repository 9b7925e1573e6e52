"""Examples, walls of examples in the coach's order, and saved searches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from truelobe.gallery.search import Card, Query, cards_of
from truelobe.store import Inspection, Store
from truelobe.store.base import new_uid, now
from truelobe.store.models_gallery import InspectionRow, SavedSearchRow, WallItemRow, WallRow
from truelobe.store.setup import replace_row
from truelobe.store.trouble import changed_meanwhile, not_found


@dataclass(frozen=True)
class Wall:
    """A wall of examples on one topic: a title, a note, how many plates hang there."""

    uid: str
    version: int
    title: str
    note: str
    plates: int


def mark_example(store: Store, uid: str, version: int, who: str, title: str, teaching_note: str) -> Inspection:
    """Mark a plate as a graded example, with what it teaches."""
    changes: dict[str, Any] = {"example": True, "title": title, "teaching_note": teaching_note}
    return store.inspections.edit(uid, version, who, **changes)


def make_wall(store: Store, title: str, note: str = "") -> Wall:
    """Make an empty wall, after the others."""
    uid = new_uid()
    with store.database.write() as connection:
        last = connection.execute(select(func.max(WallRow.position))).scalar() or 0
        connection.execute(insert(WallRow).values(uid=uid, version=1, title=title, note=note, position=last + 1))
    return Wall(uid, 1, title, note, 0)


def walls(store: Store) -> tuple[Wall, ...]:
    """Return every wall, in the coach's order."""
    plates = (
        select(func.count())
        .select_from(WallItemRow)
        .join(InspectionRow, InspectionRow.id == WallItemRow.inspection_id)
        .where(WallItemRow.wall_id == WallRow.id, InspectionRow.binned_at.is_(None))
        .scalar_subquery()
    )
    columns = (WallRow.uid, WallRow.version, WallRow.title, WallRow.note, plates)
    with store.database.read() as connection:
        rows = connection.execute(select(*columns).order_by(WallRow.position, WallRow.id)).all()
    return tuple(Wall(*row) for row in rows)


def hang(store: Store, wall: str, version: int, plates: Sequence[str]) -> int:
    """Set which plates hang on a wall, and in which order. Returns the wall's new version.

    Raises
    ------
    TruelobeError
        ``changed-meanwhile``, ``not-found``.
    """
    with store.database.write() as connection:
        wall_id = _claimed(connection, wall, version)
        rows = connection.execute(
            select(InspectionRow.uid, InspectionRow.id).where(InspectionRow.uid.in_(list(plates)))
        ).all()
        ids: dict[str, int] = {row.uid: row.id for row in rows}
        connection.execute(delete(WallItemRow).where(WallItemRow.wall_id == wall_id))
        for position, uid in enumerate(dict.fromkeys(plates)):
            if uid not in ids:
                raise not_found("plate")
            item = {"wall_id": wall_id, "inspection_id": ids[uid], "position": position}
            connection.execute(insert(WallItemRow).values(**item))
    return version + 1


def rename_wall(store: Store, wall: str, version: int, title: str, note: str) -> int:
    """Give a wall another title and note. Returns its new version."""
    with store.database.write() as connection:
        wall_id = _claimed(connection, wall, version)
        connection.execute(update(WallRow).where(WallRow.id == wall_id).values(title=title, note=note))
    return version + 1


def _claimed(connection: Connection, wall: str, version: int) -> int:
    wall_id = connection.execute(select(WallRow.id).where(WallRow.uid == wall)).scalar()
    if wall_id is None:
        raise not_found("wall")
    one = (WallRow.id == wall_id, WallRow.version == version)
    if not connection.execute(update(WallRow).where(*one).values(version=version + 1)).rowcount:
        raise changed_meanwhile("wall")
    return wall_id


def order_walls(store: Store, uids: Sequence[str]) -> None:
    """Set the order of the walls."""
    with store.database.write() as connection:
        for position, uid in enumerate(uids):
            connection.execute(update(WallRow).where(WallRow.uid == uid).values(position=position))


def take_down_wall(store: Store, wall: str) -> None:
    """Remove a wall; its plates stay in the gallery."""
    with store.database.write() as connection:
        connection.execute(delete(WallRow).where(WallRow.uid == wall))


def on_wall(store: Store, wall: str) -> tuple[Card, ...]:
    """Return a wall's plates in the coach's order, without those in the bin."""
    statement = (
        select(InspectionRow.__table__)
        .join(WallItemRow, WallItemRow.inspection_id == InspectionRow.id)
        .join(WallRow, WallRow.id == WallItemRow.wall_id)
        .where(WallRow.uid == wall, InspectionRow.binned_at.is_(None))
        .order_by(WallItemRow.position)
    )
    with store.database.read() as connection:
        return cards_of(connection, connection.execute(statement).all())


def save_search(store: Store, name: str, query: Query) -> None:
    """Keep a search under a name; the same name replaces it."""
    with store.database.write() as connection:
        replace_row(connection, SavedSearchRow, {"name": name}, {"query": query.text(), "kept_at": now()})


def saved_searches(store: Store) -> dict[str, Query]:
    """Return the saved searches by name."""
    with store.database.read() as connection:
        rows = connection.execute(
            select(SavedSearchRow.name, SavedSearchRow.query).order_by(SavedSearchRow.name)
        ).all()
    return {row.name: Query.from_text(row.query) for row in rows}


def forget_search(store: Store, name: str) -> None:
    """Remove a saved search."""
    with store.database.write() as connection:
        connection.execute(delete(SavedSearchRow).where(SavedSearchRow.name == name))
