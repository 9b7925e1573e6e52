"""The team's gallery as students' browsers get it: made in this one place.

A plate with a photo of a class that somebody may still have to place is not here, nor any other record of the same
photo: not found, not counted, not drawn. Notes of the coach and nicknames stay on the coach's machine.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from PIL import Image

from truelobe.gallery.masks import photo_of
from truelobe.gallery.search import Card, Query, find
from truelobe.report import overlay, words
from truelobe.store import Inspection, Store
from truelobe.store.documents import in_kept_photo
from truelobe.store.trouble import not_found
from truelobe.store.unplaced import plates_of_unplaced
from truelobe.units import percent

MOST_WORDS = 200
_SIDE = 1000


class StudentGallery:
    """What students' browsers ask of the gallery."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def plates(self, typed: str, after: str | None) -> dict[str, Any]:
        """Return one page of plates, newest first."""
        hidden = plates_of_unplaced(self._store)
        page = find(self._store, Query(words=typed[:MOST_WORDS]), after=after or None)
        return {"plates": [_card(c) for c in page.cards if c.uid not in hidden], "after": page.after}

    def plate(self, uid: str) -> dict[str, Any]:
        """Return one plate.

        Raises
        ------
        TruelobeError
            ``not-found``, also for a plate that must not be shown now.
        """
        kept = self._open(uid)
        document = self._store.inspections.document(uid)
        measured = document is not None and kept.status != "not measured"
        return {
            "plate": uid,
            "title": _title(kept),
            "says": words.summary(document) if document and measured else "Not measured.",
            "note": kept.teaching_note,
            "pictures": [f"gallery/{uid}/{n}" for n in range(len(kept.photos))],
            "peppers": [_pepper(pepper) for pepper in document["peppers"]] if document and measured else [],
        }

    def _open(self, uid: str) -> Inspection:
        kept = self._store.inspections.get(uid)
        if kept.binned_at is not None or uid in plates_of_unplaced(self._store):
            raise not_found("plate")
        return kept

    def thumbnail(self, uid: str) -> bytes:
        """Return a plate's small picture as JPEG.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        kept = self._open(uid)
        if not kept.photos:
            raise not_found("picture")
        return self._store.shelf.read(kept.photos[0].thumbnail_sha256)

    def picture(self, uid: str, number: int) -> bytes:
        """Return a photo of a plate as JPEG, with outlines and numbers where it was measured.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        kept = self._open(uid)
        if not 0 <= number < len(kept.photos):
            raise not_found("picture")
        photo, document = kept.photos[number], self._store.inspections.document(uid)
        pixels = self._pixels(photo.sha256)
        if document is None or kept.status == "not measured" or photo != photo_of(document, kept.photos):
            return _jpeg(pixels, _SIDE)
        placed = in_kept_photo(document, (photo.crop_x, photo.crop_y))
        return overlay.as_jpeg(overlay.draw_plate(pixels, placed, longest=_SIDE))

    def _pixels(self, sha256: str) -> Any:
        with Image.open(io.BytesIO(self._store.photos.read(sha256))) as image:
            return np.asarray(image.convert("RGB"))


def _jpeg(pixels: Any, longest: int) -> bytes:
    image = Image.fromarray(pixels)
    image.thumbnail((longest, longest))
    return overlay.as_jpeg(image)


def _title(kept: Inspection | Card) -> str:
    return kept.title or f"Plate of {kept.plate_date:%B %-d, %Y}"


def _card(card: Card) -> dict[str, Any]:
    spans = []
    if card.diameter_mm:
        low, high = (round(value) for value in card.diameter_mm)
        spans.append(f"{low} mm across" if low == high else f"{low} to {high} mm across")
    if card.not_fully_coloured:
        spans.append(f"up to {percent(card.not_fully_coloured[1])} not fully colored")
    return {
        "plate": card.uid,
        "title": _title(card),
        "says": ", ".join(spans) or "not measured",
        "picture": f"gallery/{card.uid}/small" if card.photo_sha256 else None,
    }


def _pepper(pepper: dict[str, Any]) -> dict[str, Any]:
    return {
        "number": pepper["number"],
        "colour": pepper["colour"] or "color unknown",
        "readings": [[one.label, one.first, one.second] for one in words.readings(pepper)],
        "decisions": [[one["outcome"], words.limit_words(one), one["rule"]] for one in pepper["decisions"]],
    }
