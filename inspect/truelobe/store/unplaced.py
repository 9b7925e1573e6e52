"""Which photos somebody may still have to judge: nothing of them may reach a student meanwhile."""

from __future__ import annotations

from sqlalchemy import exists, or_, select

from truelobe.store.models_gallery import InspectionPhotoRow, InspectionRow, PhotoRow
from truelobe.store.models_judging import ClassPlateRow, ClassRow, SessionRow
from truelobe.store.store import Store

_WHOLE_CRITIQUE = 4


def unplaced_photos(store: Store) -> frozenset[str]:
    """Return the original SHA-256 of every photo of a class that is open, offered, or was never placed to the end.

    A class leaves this list when its critique was opened whole and its session closed, or when it goes to the bin.
    Every record of the same photo is meant: a photo is known by the SHA-256 of the file as it was handed in.
    """
    of_class = SessionRow.class_id == ClassRow.id
    running = exists(select(SessionRow.id).where(of_class, SessionRow.closed_at.is_(None)))
    placed = exists(select(SessionRow.id).where(of_class, SessionRow.critique_step >= _WHOLE_CRITIQUE))
    query = (
        select(PhotoRow.original_sha256)
        .join(InspectionPhotoRow, InspectionPhotoRow.sha256 == PhotoRow.sha256)
        .join(ClassPlateRow, ClassPlateRow.inspection_id == InspectionPhotoRow.inspection_id)
        .join(ClassRow, ClassRow.id == ClassPlateRow.class_id)
        .where(ClassRow.binned_at.is_(None), or_(ClassRow.offered, running, ~placed))
    )
    with store.database.read() as connection:
        return frozenset(connection.execute(query.distinct()).scalars())


def plates_of_unplaced(store: Store) -> frozenset[str]:
    """Return the identifier of every kept plate that holds one of the `unplaced_photos`."""
    query = (
        select(InspectionRow.uid)
        .join(InspectionPhotoRow, InspectionPhotoRow.inspection_id == InspectionRow.id)
        .join(PhotoRow, PhotoRow.sha256 == InspectionPhotoRow.sha256)
        .where(PhotoRow.original_sha256.in_(unplaced_photos(store)))
    )
    with store.database.read() as connection:
        return frozenset(connection.execute(query.distinct()).scalars())
