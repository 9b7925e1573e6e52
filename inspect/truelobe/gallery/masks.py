"""Outlines in the COCO object detection format (https://cocodataset.org/#format-data), readable by other tools.

COCO counts from the picture's upper left corner, so the center of the first pixel is (0.5, 0.5); measurement
documents put pixel centers at whole numbers. A kept photo may be cut, so its corner is taken off.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, TextIO

from truelobe.store import Photo
from truelobe.store.records import PlateRecord

CATEGORIES = [{"id": 1, "name": "sweet pepper"}, {"id": 2, "name": "stem"}]


class CocoWriter:
    """Writes plates one by one, so that memory does not grow with the gallery."""

    def __init__(self, images: TextIO, annotations: TextIO) -> None:
        self._images, self._annotations = images, annotations
        self._image = self._annotation = 0

    def add(self, record: PlateRecord) -> None:
        """Add a plate's current measurement, where it has one and a photo to draw it on."""
        current = next((text for made, text in record.measurements if made.current), None)
        document = json.loads(current) if current else None
        photo = photo_of(document, record.photos) if document else None
        if document is None or photo is None:
            return
        self._image += 1
        image = {
            "id": self._image,
            "file_name": photo_name(photo),
            "width": photo.width_px,
            "height": photo.height_px,
        }
        self._images.write((",\n" if self._image > 1 else "") + json.dumps(image))
        for one in outlined(document, photo):
            self._annotation += 1
            line = {"id": self._annotation, "image_id": self._image, **one}
            self._annotations.write((",\n" if self._annotation > 1 else "") + json.dumps(line))


def photo_name(photo: Photo) -> str:
    """Return a photo's name inside a bundle."""
    return f"photos/{photo.sha256}.{'png' if photo.media_type == 'image/png' else 'jpg'}"


def photo_of(document: dict[str, Any], photos: tuple[Photo, ...]) -> Photo | None:
    """Return the photo that a document was measured on; the first one where that is not known."""
    sha256 = document["photo"]["sha256"]
    return next((photo for photo in photos if photo.original_sha256 == sha256), photos[0] if photos else None)


def outlined(document: dict[str, Any], photo: Photo) -> Iterator[dict[str, Any]]:
    """Yield one annotation per pepper and per stem."""
    for pepper in document["peppers"]:
        for category, polygons in ((1, pepper["outline_px"]), (2, pepper.get("stem_px"))):
            if polygons:
                yield _annotation(category, polygons, photo) | {
                    "attributes": {"number": pepper["number"], "color": pepper["colour"]}
                }


def _annotation(category: int, polygons: Any, photo: Photo) -> dict[str, Any]:
    moved = [[(x - photo.crop_x + 0.5, y - photo.crop_y + 0.5) for x, y in polygon] for polygon in polygons]
    xs, ys = ([point[axis] for polygon in moved for point in polygon] for axis in (0, 1))
    return {
        "category_id": category,
        "segmentation": [[round(value, 3) for point in polygon for value in point] for polygon in moved],
        "bbox": [round(min(xs), 3), round(min(ys), 3), round(max(xs) - min(xs), 3), round(max(ys) - min(ys), 3)],
        "area": round(sum(polygon_area(polygon) for polygon in moved), 3),
        "iscrowd": 0,
    }


def polygon_area(points: list[tuple[float, float]]) -> float:
    """Return a polygon's area (the surveyor's formula).

    >>> polygon_area([(0, 0), (4, 0), (4, 3), (0, 3)])
    12.0
    """
    following = [*points[1:], points[0]]
    crossed = (x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in zip(points, following, strict=True))
    return abs(sum(crossed)) / 2
