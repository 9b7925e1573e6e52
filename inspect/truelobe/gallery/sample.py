"""A sample gallery to look around in: the shipped plates, measured by the tool itself, in an invented scenario.

One call loads it and one removes it; plates of the team's own are never touched.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from truelobe.data import data_path
from truelobe.gallery.walls import hang, make_wall, take_down_wall, walls
from truelobe.store import NewInspection, Store, crop_box, prepare_photo
from truelobe.store.models_gallery import InspectionRow
from truelobe.store.shelf import sha256_of

Measure = Callable[[bytes, str], Mapping[str, Any]]
WALL = "Sample plates: what to look at first"
WALL_NOTE = "Four questions for each plate: how large, how even, how far colored, what the photo does not show."
_ENDINGS = {".jpg", ".jpeg", ".png", ".webp"}
_FIRST_DAY = date(2026, 4, 6)
_PRACTICES = ("Warm-up table", "Practice one", "Practice two", "Dress rehearsal")
_NICKNAMES = ("Juniper", "Wren", "Basil")


def sample_photos() -> tuple[Path, ...]:
    """Return the shipped photos of plates, by name."""
    folder = data_path("sample_images", "plates")
    found = (path for path in folder.rglob("*") if path.suffix.lower() in _ENDINGS)
    return tuple(sorted(path for path in found if "maker" not in path.relative_to(folder).parts))


def load_sample(store: Store, measure: Measure, photos: Sequence[Path] | None = None) -> int:
    """Measure the sample plates and keep them. Plates already loaded are left as they are.

    Parameters
    ----------
    measure : callable
        Takes a photo's bytes and name, returns a measurement document.
    photos : sequence of Path, optional
        Other photos than the shipped ones.

    Returns
    -------
    int
        How many plates were added.
    """
    there = _loaded(store)
    added = []
    for number, path in enumerate(sample_photos() if photos is None else photos):
        data = path.read_bytes()
        if sha256_of(data) not in there:
            added.append(store.inspections.keep(_plate(number, path.name, data, measure(data, path.name))).uid)
    if added and not any(wall.title == WALL for wall in walls(store)):
        wall = make_wall(store, WALL, WALL_NOTE)
        hang(store, wall.uid, wall.version, added)
    return len(added)


def _plate(number: int, name: str, data: bytes, document: Mapping[str, Any]) -> NewInspection:
    practice = _PRACTICES[number // 4 % len(_PRACTICES)]
    return NewInspection(
        photos=(prepare_photo(data, crop_box(document), name=name),),
        document=document,
        who=_NICKNAMES[number % len(_NICKNAMES)],
        title=f"{practice}, plate {number % 4 + 1}",
        notes="A rendered plate of an invented team. Practice aid, not an inspection.",
        plate_date=_FIRST_DAY + timedelta(days=7 * (number // 4)),
        tags=("sample",),
        sample=True,
    )


def _loaded(store: Store) -> set[str]:
    with store.database.read() as connection:
        uids = list(connection.execute(select(InspectionRow.uid).where(InspectionRow.sample)).scalars())
    return {photo.original_sha256 for uid in uids for photo in store.inspections.get(uid).photos}


def remove_sample(store: Store) -> int:
    """Remove the sample plates for good, with their wall. Returns how many there were."""
    with store.database.read() as connection:
        uids = list(connection.execute(select(InspectionRow.uid).where(InspectionRow.sample)).scalars())
    for wall in walls(store):
        if wall.title == WALL:
            take_down_wall(store, wall.uid)
    return store.inspections.remove(uids)
