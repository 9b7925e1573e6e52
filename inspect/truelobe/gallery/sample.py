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
TAUGHT: Mapping[str, tuple[str, str]] = {
    "plate-02-normal": (
        "Fully colored, not even",
        "Every pepper here is fully colored, and still they do not match: the largest is a third wider than the "
        "smallest. Look at size and form before color.",
    ),
    "plate-04-easy": (
        "One pepper spoils the color",
        "Three of these red peppers are mostly or fully colored; one is nearly all green on the side you see. "
        "Find the one that is wide enough for 2-1/2 in and not long enough.",
    ),
    "plate-05-easy": (
        "Green on purpose",
        "Shown as green peppers, green skin counts as fully colored. Look for skin that has begun to turn: "
        "it is less than a tenth of any of them.",
    ),
    "plate-08-easy": (
        "Alike in color, not in form",
        "Every pepper is over 3 in across, and each has less than 15 percent of its skin in view still to color. "
        "What sets one apart is its form: it is about as long as it is wide.",
    ),
    "plate-09-easy": (
        "Over the house rule, inside the U.S. rule",
        "Two peppers here are about three quarters green or more: far over a house rule of 15 percent. Each still "
        "shows some of its color, and “any amount” is what the U.S. rule asks of it.",
    ),
    "plate-12-hard": (
        "Standing peppers hide their length",
        "Three stand on their ends, so the photo shows how wide they are and hides how long. Lay them down for a "
        "second photo, or use a ruler.",
    ),
}
"""Title and teaching note of sample plates, by the name of the photo. What they say holds for the exact truth."""

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
            added.append(store.inspections.keep(_plate(number, path, data, measure(data, path.name))).uid)
    if added and not any(wall.title == WALL for wall in walls(store)):
        wall = make_wall(store, WALL, WALL_NOTE)
        hang(store, wall.uid, wall.version, added)
    return len(added)


def _plate(number: int, path: Path, data: bytes, document: Mapping[str, Any]) -> NewInspection:
    practice = f"{_PRACTICES[number // 4 % len(_PRACTICES)]}, plate {number % 4 + 1}"
    title, note = TAUGHT.get(path.stem, (practice, ""))
    return NewInspection(
        photos=(prepare_photo(data, crop_box(document), name=path.name),),
        document=document,
        who=_NICKNAMES[number % len(_NICKNAMES)],
        title=title,
        notes=f"{practice}. A rendered plate of an invented team. Practice aid, not an inspection.",
        example=bool(note),
        teaching_note=note,
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
