"""The four plates of a class as students see them: one scale where measured, gray balanced, the card taken out.

Pictures carry no metadata and no figures. How large a plate is drawn says what a real one says: the widest of the
measured plates fills the picture's width, the others are smaller in proportion.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np
from PIL import Image, ImageCms, ImageDraw

from truelobe.card import find_card
from truelobe.colour.spaces import decode, encode
from truelobe.judging.classes import ClassDraft
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo
from truelobe.store import Inspection, Photo, Store

WIDEST_PX = 1400
MARGIN_MM = 14.0
#: What white paper reads after balancing, as linear light: bright, with room for highlights.
WHITE = 0.82
_BLANK = (198, 196, 190)
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class View:
    """One picture of one plate, not drawn yet.

    Attributes
    ----------
    sha256 : str
        The kept photo.
    box : (x0, y0, x1, y1)
        The part shown, px of the kept photo.
    size : (width, height)
        As drawn.
    card : tuple of (x, y)
        Where the scale card lies, to be painted over; empty where it was not measured, then it is looked for.
    light : tuple of float
        Natural logarithm of the light per channel as the card showed it; empty where it was not measured.
    true_scale : bool
        Whether it is drawn at the class's common scale.
    """

    sha256: str
    box: Box
    size: tuple[int, int]
    card: tuple[tuple[float, float], ...] = ()
    light: tuple[float, ...] = ()
    true_scale: bool = False


def class_views(store: Store, one: ClassDraft) -> tuple[tuple[View, ...], ...]:
    """Return the views of each plate, by number; the one that was measured first. No photo, no view."""
    kept = [store.inspections.get(uid) if uid else None for uid in one.plates]
    read = [_read(store, plate) for plate in kept]
    widths = [(box[2] - box[0]) * scale for box, scale, *_ in filter(None, read)]
    px_per_mm = WIDEST_PX / max(widths) if widths else 1.0
    return tuple(_views(plate, found, px_per_mm) for plate, found in zip(kept, read, strict=True))


_Read = tuple[Box, float, Photo, Mapping[str, Any]]


def _read(store: Store, plate: Inspection | None) -> _Read | None:
    """Return what part of which photo shows the measured peppers, and its mm per pixel."""
    document = store.inspections.document(plate.uid) if plate else None
    if plate is None or document is None or not plate.photos:
        return None
    sha256 = document["photo"]["sha256"]
    photo = next((p for p in plate.photos if p.original_sha256 == sha256), None)
    scale = _mm_per_px(document["peppers"])
    if photo is None or scale is None:
        return None
    outlines = [o for p in document["peppers"] for o in (*p["outline_px"], *(p["stem_px"] or ()))]
    points = np.vstack([np.asarray(o, dtype=float) for o in outlines]) - (photo.crop_x, photo.crop_y)
    room = MARGIN_MM / scale
    low, high = points.min(axis=0) - room, points.max(axis=0) + room
    box = (
        max(0.0, float(low[0])),
        max(0.0, float(low[1])),
        min(float(photo.width_px), float(high[0])),
        min(float(photo.height_px), float(high[1])),
    )
    return box, scale, photo, document


def _mm_per_px(peppers: Sequence[Mapping[str, Any]]) -> float | None:
    """Return the middle pepper's scale: its measured width over the same width in the picture."""
    scales = []
    for pepper in peppers:
        if pepper["width_seen_mm"] is None:
            continue
        outline = np.asarray(max(pepper["outline_px"], key=len), dtype=float)
        axis = pepper.get("axis_px")
        along = np.subtract(axis["blossom_end"], axis["stem_end"]) if axis else np.array([0.0, 1.0])
        length = float(np.linalg.norm(along)) or 1.0
        wide = float(np.ptp(outline @ np.array([-along[1], along[0]]))) / length
        if wide > 0:
            scales.append(float(pepper["width_seen_mm"]["value"]) / wide)
    return median(scales) if scales else None


def _views(plate: Inspection | None, found: _Read | None, px_per_mm: float) -> tuple[View, ...]:
    if plate is None:
        return ()
    others = [_whole(photo) for photo in plate.photos if found is None or photo is not found[2]]
    if found is None:
        return tuple(others)
    box, scale, photo, document = found
    factor = scale * px_per_mm
    size = (max(1, round((box[2] - box[0]) * factor)), max(1, round((box[3] - box[1]) * factor)))
    made_by = document["made_by"]
    card = (made_by.get("card") or {}).get("outline_px") or ()
    light = ((made_by.get("colour_transform") or {}).get("light") or {}).get("exposure") or ()
    corners = tuple((float(x) - photo.crop_x, float(y) - photo.crop_y) for x, y in card)
    return (View(photo.sha256, box, size, corners, tuple(light), true_scale=True), *others)


def _whole(photo: Photo) -> View:
    factor = min(1.0, WIDEST_PX / max(photo.width_px, photo.height_px))
    size = (max(1, round(photo.width_px * factor)), max(1, round(photo.height_px * factor)))
    return View(photo.sha256, (0.0, 0.0, float(photo.width_px), float(photo.height_px)), size)


def draw_view(store: Store, view: View) -> bytes:
    """Draw a view as WebP in sRGB, without metadata.

    Raises
    ------
    TruelobeError
        ``photo-missing``.
    """
    data = store.photos.read(view.sha256)
    with Image.open(io.BytesIO(data)) as image:
        profile = image.info.get("icc_profile")
        picture = image.convert("RGB")
    card = view.card or _card_in(data)
    if len(card) >= 3:
        middle = np.mean(card, axis=0)
        grown = [tuple(middle + 1.04 * (np.asarray(corner) - middle)) for corner in card]
        ImageDraw.Draw(picture).polygon(grown, fill=_BLANK)
    picture = picture.resize(view.size, Image.Resampling.LANCZOS, box=view.box, reducing_gap=3)
    if profile:
        picture = _to_srgb(picture, profile)
    if len(view.light) == 3:
        picture = picture.point(_balance(view.light))
    buffer = io.BytesIO()
    picture.save(buffer, "WEBP", quality=80, method=3)
    return buffer.getvalue()


def _card_in(data: bytes) -> tuple[tuple[float, float], ...]:
    """Find the card in a photo that was never measured; a card that can't be found stays in the picture."""
    try:
        sighting = find_card(read_photo(data))
    except TruelobeError:
        return ()
    return tuple((float(x), float(y)) for x, y in sighting.outline_px)


def _to_srgb(picture: Image.Image, profile: bytes) -> Image.Image:
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        moved = ImageCms.profileToProfile(picture, source, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError):  # a broken profile only shifts the look
        return picture
    return moved if moved is not None else picture


def _balance(light: Sequence[float]) -> list[int]:
    """Return the byte table that brings white paper to one gray level in all plates."""
    levels = decode(np.arange(256) / 255)
    table = [encode(np.clip(levels * WHITE / np.exp(channel), 0, 1)) for channel in light]
    return [round(255 * float(value)) for channel in table for value in channel]
