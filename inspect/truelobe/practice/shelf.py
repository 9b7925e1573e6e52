"""All pictures that a drill can show: the shipped ones, and the team's own peppers that are known well enough.

Own peppers whose photo belongs to a class that somebody may still have to place are not there: they are not
chosen, not shown, and nothing is said of them.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import cache

from PIL import Image

from truelobe.practice import gallery_pictures as own
from truelobe.practice import pictures as shipped
from truelobe.practice.lesson import COLOURS, lesson_picture
from truelobe.practice.pictures import Picture
from truelobe.store import Store
from truelobe.store.trouble import not_found
from truelobe.store.unplaced import unplaced_photos


@cache
def made_pictures() -> Mapping[str, Picture]:
    """Return the shipped pictures by id, those apart whose truth the lesson tells."""
    taught = {lesson_picture(colour).id for colour in COLOURS}
    return {name: one for name, one in shipped.pictures().items() if name not in taught}


class PictureShelf:
    """The pictures of a store's drills."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def pool(self, kind: str) -> Mapping[str, Picture]:
        """Return what a kind of drill may choose from, by id."""
        if kind not in ("percent", "threshold"):
            return made_pictures()
        return {**made_pictures(), **self.of_gallery()}

    def of_gallery(self) -> Mapping[str, Picture]:
        """Return the own peppers that can teach now, newest first."""
        return own.own_pictures(self._store, unplaced_photos(self._store))

    def find(self, picture_id: str) -> Picture:
        """Return a picture with its truth.

        Raises
        ------
        TruelobeError
            ``not-found``, also for an own pepper that must not be shown now.
        """
        if picture_id.startswith(own.OWN):
            return self._own(picture_id).picture
        found = shipped.pictures().get(picture_id)
        if found is None:
            raise not_found("picture")
        return found

    def _own(self, picture_id: str) -> own.GalleryPepper:
        return own.own_pepper(self._store, picture_id, unplaced_photos(self._store))

    def photo(self, picture: Picture) -> bytes:
        """Return the bare picture as WebP, always as wide and high as its neighbors."""
        if picture.own:
            return _squared(own.crop(self._store, self._own(picture.id)))
        return shipped.photo(picture)

    def overlay(self, picture: Picture) -> bytes:
        """Return the picture with the counted skin hatched, as WebP."""
        if picture.own:
            return _squared(own.crop_hatched(self._store, self._own(picture.id)))
        return shipped.overlay(picture)

    def known(self) -> own.Known:
        """Say how many own peppers are known well enough."""
        return own.how_many_known(self._store, unplaced_photos(self._store))


def _squared(data: bytes) -> bytes:
    """Put a picture onto a square of its own edge color, so that the page doesn't jump from one to the next."""
    with Image.open(io.BytesIO(data)) as image:
        side = max(image.size)
        square = Image.new("RGB", (side, side), image.convert("RGB").getpixel((1, 1)))
        square.paste(image, ((side - image.width) // 2, (side - image.height) // 2))
    return shipped.webp(square)
