"""Two to four plates side by side at one scale, and what a newer measurement changed.

The scale is read from the measurement itself: how many pixels of the picture the measured width covers, at the
height of the fruit. So a pepper of 70 mm is drawn smaller than one of 90 mm, however near the camera was.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from PIL import Image

from truelobe.gallery.masks import photo_of
from truelobe.messages import TruelobeError
from truelobe.store import Inspection, Store

Point = tuple[float, float]
WIDEST_PX = 900
MARGIN_MM = 12.0


@dataclass(frozen=True)
class Compared:
    """One plate in a comparison.

    Attributes
    ----------
    plate : Inspection
    picture : bytes or None
        WebP of the peppers, drawn at `px_per_mm`; None where the plate was not measured: its scale is unknown.
    px_per_mm : float
        The same for all plates of a comparison.
    size_px : (width, height)
    """

    plate: Inspection
    picture: bytes | None
    px_per_mm: float
    size_px: tuple[int, int]


@dataclass(frozen=True)
class _View:
    plate: Inspection
    sha256: str
    box: tuple[float, float, float, float]
    mm_per_px: float

    @property
    def width_mm(self) -> float:
        return (self.box[2] - self.box[0]) * self.mm_per_px


def compare(store: Store, uids: Sequence[str], widest_px: int = WIDEST_PX) -> tuple[Compared, ...]:
    """Return two to four plates with pictures at one scale; the widest is `widest_px` wide.

    Raises
    ------
    TruelobeError
        ``compare-two-to-four``, ``not-found``.
    """
    if not 2 <= len(uids) <= 4:
        raise TruelobeError(
            "compare-two-to-four",
            "Two to four plates can be compared at once.",
            "Choose two, three or four plates.",
        )
    plates = [store.inspections.get(uid) for uid in uids]
    views = [_view(store, plate) for plate in plates]
    widths = [view.width_mm for view in views if view is not None]
    px_per_mm = widest_px / max(widths) if widths else 1.0
    return tuple(_drawn(store, plate, view, px_per_mm) for plate, view in zip(plates, views, strict=True))


def _view(store: Store, plate: Inspection) -> _View | None:
    document = store.inspections.document(plate.uid)
    photo = photo_of(document, plate.photos) if document else None
    scale = plate_scale(document) if document else None
    if document is None or photo is None or scale is None:
        return None
    points = [
        (x - photo.crop_x, y - photo.crop_y)
        for pepper in document["peppers"]
        for polygon in (*pepper["outline_px"], *(pepper.get("stem_px") or ()))
        for x, y in polygon
    ]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    room = MARGIN_MM / scale
    box = (
        max(0.0, min(xs) - room),
        max(0.0, min(ys) - room),
        min(float(photo.width_px), max(xs) + room),
        min(float(photo.height_px), max(ys) + room),
    )
    return _View(plate, photo.sha256, box, scale)


def _drawn(store: Store, plate: Inspection, view: _View | None, px_per_mm: float) -> Compared:
    if view is None:
        return Compared(plate, None, px_per_mm, (0, 0))
    factor = view.mm_per_px * px_per_mm
    size = (
        max(1, round((view.box[2] - view.box[0]) * factor)),
        max(1, round((view.box[3] - view.box[1]) * factor)),
    )
    with Image.open(io.BytesIO(store.photos.read(view.sha256))) as image:
        profile = image.info.get("icc_profile")
        drawn = image.convert("RGB").resize(size, Image.Resampling.LANCZOS, box=view.box, reducing_gap=3)
    buffer = io.BytesIO()
    drawn.save(buffer, "WEBP", quality=85, icc_profile=profile or b"")
    return Compared(plate, buffer.getvalue(), px_per_mm, size)


def plate_scale(document: Mapping[str, Any]) -> float | None:
    """Return how many millimetres a pixel covers at the fruit: the middle one of its peppers; None without any."""
    scales = [scale for pepper in document["peppers"] if (scale := pepper_scale(pepper)) is not None]
    return median(scales) if scales else None


def pepper_scale(pepper: Mapping[str, Any]) -> float | None:
    """Return the millimetres per pixel at one pepper: its measured width over its width in the picture."""
    width = pepper["width_seen_mm"]
    points = [(float(x), float(y)) for polygon in pepper["outline_px"] for x, y in polygon]
    if width is None or len(points) < 3:
        return None
    axis = pepper.get("axis_px")
    along = _direction(axis["stem_end"], axis["blossom_end"]) if axis else None
    pixels = _extent(points, along) if along else min(_extent(points, _turned(step)) for step in range(36))
    return float(width["value"]) / pixels if pixels > 0 else None


def _direction(first: Sequence[float], second: Sequence[float]) -> Point | None:
    dx, dy = second[0] - first[0], second[1] - first[1]
    length = math.hypot(dx, dy)
    return (dx / length, dy / length) if length else None


def _turned(step: int) -> Point:
    return math.cos(math.pi * step / 36), math.sin(math.pi * step / 36)


def _extent(points: Sequence[Point], along: Point) -> float:
    """Return how far points reach across a direction."""
    across = [y * along[0] - x * along[1] for x, y in points]
    return max(across) - min(across)


@dataclass(frozen=True)
class Difference:
    """What one figure of one pepper was and is; None where it was not measured. mm, and fractions."""

    pepper: int
    quantity: str
    before: float | None
    after: float | None

    @property
    def change(self) -> float | None:
        """After minus before, where both are known."""
        return None if self.before is None or self.after is None else self.after - self.before


QUANTITIES = ("diameter_mm", "width_seen_mm", "length_mm", "not_fully_coloured")


def difference(before: Mapping[str, Any] | None, after: Mapping[str, Any] | None) -> tuple[Difference, ...]:
    """Return what a newer measurement of the same photo changed, pepper by pepper.

    Peppers are matched by place: the nearest centers first, no farther than half the smaller pepper's extent.
    Numbers are those of the newer measurement; a pepper that it lost keeps its old number.
    """
    old = list(before["peppers"]) if before else []
    new = list(after["peppers"]) if after else []
    found = []
    for first, second in _matched(old, new):
        number = (second or first or {})["number"]
        for quantity in QUANTITIES:
            values = [_value(pepper, quantity) for pepper in (first, second)]
            found.append(Difference(number, quantity, values[0], values[1]))
    return tuple(found)


def _matched(
    old: list[Mapping[str, Any]], new: list[Mapping[str, Any]]
) -> list[tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]]:
    near = sorted(
        (math.dist(a["centre_px"], b["centre_px"]), i, j)
        for i, a in enumerate(old)
        for j, b in enumerate(new)
        if math.dist(a["centre_px"], b["centre_px"]) <= min(_reach(a), _reach(b)) / 2
    )
    partner: dict[int, int] = {}
    for _, i, j in near:
        if i not in partner and j not in partner.values():
            partner[i] = j
    pairs: list[tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]] = [
        (a, new[partner[i]] if i in partner else None) for i, a in enumerate(old)
    ]
    return pairs + [(None, b) for j, b in enumerate(new) if j not in partner.values()]


def _reach(pepper: Mapping[str, Any]) -> float:
    points = [point for polygon in pepper["outline_px"] for point in polygon]
    return float(max(max(p[axis] for p in points) - min(p[axis] for p in points) for axis in (0, 1)))


def _value(pepper: Mapping[str, Any] | None, quantity: str) -> float | None:
    figure = None if pepper is None else pepper[quantity]
    return None if figure is None else float(figure["value"])


def measure_again(
    store: Store, uid: str, measure: Callable[[bytes], Mapping[str, Any]], who: str = ""
) -> tuple[Difference, ...]:
    """Measure a kept plate's first photo with today's tool; both measurements stay.

    Parameters
    ----------
    measure : callable
        Takes the photo's file (the kept part at its place in a picture of full size), returns a document.

    Raises
    ------
    TruelobeError
        ``photo-missing`` for a plate without a photo, and whatever `measure` raises; nothing is changed then.
    """
    plate = store.inspections.get(uid)
    if not plate.photos:
        raise TruelobeError("photo-missing", "This plate has no photo.", "Add a photo to it first.")
    before = store.inspections.document(uid)
    after = dict(measure(store.photos.for_measuring(plate.photos[0].sha256)))
    after["photo"] = {**after["photo"], "sha256": plate.photos[0].original_sha256}
    store.inspections.measured_again(uid, after, who, plate.version)
    return difference(before, after)
