"""Peppers of the team's own gallery that are measured well enough to teach from.

A figure with an uncertainty of 4 points can't teach an eye to 2, so a pepper is shown only where its standard
uncertainty is small, and its truth is told with what is left of it.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from PIL import Image

from truelobe.figures import Figure
from truelobe.store import Store

MOST_UNCERTAINTY = 0.02
_MARGIN, _SIDE = 0.12, 640


@dataclass(frozen=True)
class GalleryPepper:
    """A pepper of a kept plate: where it lies in the kept photo, and its share with uncertainty."""

    plate: str
    number: int
    colour: str
    sha256: str
    box: tuple[int, int, int, int]
    figure: Figure


def teachable(store: Store, plates: Iterable[str], closed: Collection[str] = ()) -> tuple[GalleryPepper, ...]:
    """Return the peppers of some kept plates that can teach.

    Parameters
    ----------
    plates : iterable of str
        Identifiers of kept plates.
    closed : collection of str
        Original SHA-256 of photos that a class still has to judge; nothing of them is shown.
    """
    found: list[GalleryPepper] = []
    for uid in plates:
        kept, document = store.inspections.get(uid), store.inspections.document(uid)
        if document is None or any(p.original_sha256 in closed for p in kept.photos):
            continue
        photo = next((p for p in kept.photos if p.original_sha256 == document["photo"]["sha256"]), None)
        if photo is None:
            continue
        for pepper in document["peppers"]:
            share = pepper["not_fully_coloured"]
            if share is None or pepper["doubtful"] or share["standard_uncertainty"] > MOST_UNCERTAINTY:
                continue
            box = _box(pepper["outline_px"], (photo.crop_x, photo.crop_y), (photo.width_px, photo.height_px))
            figure = Figure.from_document(share)
            found.append(GalleryPepper(uid, pepper["number"], pepper["colour"] or "", photo.sha256, box, figure))
    return tuple(found)


def _box(
    polygons: Iterable[Iterable[tuple[float, float]]], corner: tuple[int, int], size: tuple[int, int]
) -> tuple[int, int, int, int]:
    points = [(x - corner[0], y - corner[1]) for polygon in polygons for x, y in polygon]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    room = _MARGIN * max(max(xs) - min(xs), max(ys) - min(ys))
    return (
        max(0, int(min(xs) - room)),
        max(0, int(min(ys) - room)),
        min(size[0], int(max(xs) + room) + 1),
        min(size[1], int(max(ys) + room) + 1),
    )


def crop(store: Store, pepper: GalleryPepper) -> bytes:
    """Return the pepper's part of the kept photo as WebP, without metadata.

    Raises
    ------
    TruelobeError
        ``photo-missing``.
    """
    with Image.open(io.BytesIO(store.photos.read(pepper.sha256))) as image:
        part = image.convert("RGB").crop(pepper.box)
    part.thumbnail((_SIDE, _SIDE))
    written = io.BytesIO()
    part.save(written, "WEBP", quality=85)
    return written.getvalue()
