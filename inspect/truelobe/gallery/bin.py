"""The bin: what was deleted, until somebody empties it."""

from __future__ import annotations

from sqlalchemy import select

from truelobe.store import Store
from truelobe.store.models_gallery import InspectionRow


def in_bin(store: Store) -> list[str]:
    """Return the plates in the bin, the one deleted last first."""
    statement = select(InspectionRow.uid).where(InspectionRow.binned_at.is_not(None))
    with store.database.read() as connection:
        return list(connection.execute(statement.order_by(InspectionRow.binned_at.desc())).scalars())


def empty_bin(store: Store) -> int:
    """Delete everything in the bin for good. Returns how many plates there were."""
    return store.inspections.remove(in_bin(store))
