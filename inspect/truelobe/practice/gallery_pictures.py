"""Peppers of the team's own gallery that are measured well enough to teach from.

A figure with an uncertainty of 4 points can't teach an eye to 2, so a pepper is shown only where its standard
uncertainty is small, and its truth is told with what is left of it.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from sqlalchemy import exists, select

from truelobe.colour.references import load_references
from truelobe.colour.spaces import linear_from_bytes, linear_to_lab
from truelobe.figures import Figure
from truelobe.practice.pictures import LINE, Picture, hatched, webp
from truelobe.store import Store
from truelobe.store.models_gallery import InspectionPhotoRow, InspectionRow, PepperRow, PhotoRow
from truelobe.store.trouble import not_found

#: Standard uncertainty beyond which a share can't teach, as a fraction.
MOST_UNCERTAINTY = 0.02
#: The same for sizes, mm: an eighth of an inch is what the drill asks for.
MOST_UNCERTAINTY_MM = 1.6
MOST_PEPPERS = 400
OWN = "own-"
_MARGIN, _SIDE = 0.12, 640


@dataclass(frozen=True)
class GalleryPepper:
    """A pepper of a kept plate: where it lies in the kept photo, and its share with uncertainty."""

    plate: str
    number: int
    colour: str
    sha256: str
    box: tuple[int, int, int, int]
    outline: tuple[tuple[tuple[float, float], ...], ...]
    figure: Figure
    sizes: Mapping[str, Figure | None]
    picture: Picture


@dataclass(frozen=True)
class Known:
    """How many of the gallery's measured peppers are known well enough to teach from."""

    teach: int
    measured: int

    @property
    def words(self) -> str:
        """Say it."""
        if not self.measured:
            return "No pepper of your own gallery is measured yet; measured plates that you keep join the drills."
        return (
            f"{self.teach} of {self.measured} peppers of your own gallery are known well enough to teach from: to "
            f"{200 * MOST_UNCERTAINTY:.0f} points either way. The others are left out."
        )


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
        if document is None or kept.binned_at or any(p.original_sha256 in closed for p in kept.photos):
            continue
        photo = next((p for p in kept.photos if p.original_sha256 == document["photo"]["sha256"]), None)
        if photo is None:
            continue
        corner, size = (photo.crop_x, photo.crop_y), (photo.width_px, photo.height_px)
        known = [pepper for pepper in document["peppers"] if _teaches(pepper)]
        found += [_pepper(uid, pepper, photo.sha256, corner, size) for pepper in known]
    return tuple(found)


def _teaches(pepper: Mapping[str, Any]) -> bool:
    share = pepper["not_fully_coloured"]
    return share is not None and not pepper["doubtful"] and share["standard_uncertainty"] <= MOST_UNCERTAINTY


def _pepper(
    plate: str, pepper: Mapping[str, Any], sha256: str, corner: tuple[int, int], size: tuple[int, int]
) -> GalleryPepper:
    outline = tuple(
        tuple((float(x) - corner[0], float(y) - corner[1]) for x, y in polygon) for polygon in pepper["outline_px"]
    )
    box = _box(outline, size)
    figure = Figure.from_document(pepper["not_fully_coloured"])
    sizes = {
        name: Figure.from_document(pepper[name]) if pepper.get(name) else None
        for name in ("diameter_mm", "width_seen_mm", "length_mm")
    }
    return GalleryPepper(
        plate,
        pepper["number"],
        pepper["colour"] or "",
        sha256,
        box,
        outline,
        figure,
        sizes,
        _picture(plate, pepper, figure, sizes),
    )


def _picture(plate: str, pepper: Mapping[str, Any], figure: Figure, sizes: Mapping[str, Figure | None]) -> Picture:
    value = {name: one.value if one else 0.0 for name, one in sizes.items()}
    return Picture(
        id=f"{OWN}{plate}-{pepper['number']}",
        colour=pepper["colour"] or "",
        lines=(LINE,),
        curve=(figure.value,),
        whole=figure.value,
        diameter_mm=value["diameter_mm"],
        width_seen_mm=value["width_seen_mm"],
        length_mm=value["length_mm"],
        px_per_mm=0.0,
        made="gallery",
        light="",
        side=None,
        give_or_take=100 * figure.half_width,
    )


def own_pictures(store: Store, closed: Collection[str]) -> dict[str, Picture]:
    """Return the newest peppers of the gallery that can teach, as pictures to choose from. Reads columns alone."""
    of_plate = InspectionPhotoRow.inspection_id == InspectionRow.id
    hidden = exists(
        select(PhotoRow.sha256)
        .join(InspectionPhotoRow, InspectionPhotoRow.sha256 == PhotoRow.sha256)
        .where(of_plate, PhotoRow.original_sha256.in_(closed))
    )
    has_photo = exists(
        select(InspectionPhotoRow.sha256).where(InspectionPhotoRow.inspection_id == InspectionRow.id)
    )
    rows = (
        select(InspectionRow.uid, PepperRow.__table__)
        .join(PepperRow, PepperRow.inspection_id == InspectionRow.id)
        .where(InspectionRow.binned_at.is_(None), PepperRow.doubtful.is_(False), has_photo, ~hidden)
        .where(PepperRow.not_fully_coloured_u <= MOST_UNCERTAINTY)
        .order_by(InspectionRow.id.desc(), PepperRow.number)
        .limit(MOST_PEPPERS)
    )
    with store.database.read() as connection:
        found = connection.execute(rows).all()
    return {picture.id: picture for picture in map(_from_row, found)}


def _from_row(row: Any) -> Picture:
    share = float(row.not_fully_coloured)
    return Picture(
        id=f"{OWN}{row.uid}-{row.number}",
        colour=row.colour or "",
        lines=(LINE,),
        curve=(share,),
        whole=share,
        diameter_mm=row.diameter_mm or 0.0,
        width_seen_mm=row.width_seen_mm or 0.0,
        length_mm=row.length_mm or 0.0,
        px_per_mm=0.0,
        made="gallery",
        light="",
        side=None,
        give_or_take=196 * float(row.not_fully_coloured_u),
    )


def how_many_known(store: Store, closed: Collection[str]) -> Known:
    """Count the gallery's measured peppers, and those among them that can teach now."""
    measured = (
        select(PepperRow.number)
        .join(InspectionRow, InspectionRow.id == PepperRow.inspection_id)
        .where(InspectionRow.binned_at.is_(None), PepperRow.not_fully_coloured.is_not(None))
        .limit(10 * MOST_PEPPERS)
    )
    with store.database.read() as connection:
        total = len(connection.execute(measured).all())
    return Known(len(own_pictures(store, closed)), total)


def own_pepper(store: Store, picture_id: str, closed: Collection[str]) -> GalleryPepper:
    """Return the pepper behind a picture's id, while it may be shown.

    Raises
    ------
    TruelobeError
        ``not-found``, also where its photo belongs to a class that is still open.
    """
    plate, _, number = picture_id.removeprefix(OWN).rpartition("-")
    for pepper in teachable(store, [plate], closed):
        if str(pepper.number) == number:
            return pepper
    raise not_found("picture")


def _box(polygons: Iterable[Iterable[tuple[float, float]]], size: tuple[int, int]) -> tuple[int, int, int, int]:
    points = [point for polygon in polygons for point in polygon]
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
    return webp(_part(store, pepper))


def _part(store: Store, pepper: GalleryPepper) -> Image.Image:
    with Image.open(io.BytesIO(store.photos.read(pepper.sha256))) as image:
        part = image.convert("RGB").crop(pepper.box)
    part.thumbnail((_SIDE, _SIDE))
    return part


def crop_hatched(store: Store, pepper: GalleryPepper) -> bytes:
    """Return the crop with its least ripe skin hatched, as much of it as was measured, as WebP.

    A kept document holds the share, not the pixels that were counted. So the skin is put in the order of its color
    between green and ripe, and hatched from the green end up to that share.
    """
    part = _part(store, pepper)
    pixels = np.asarray(part).copy()
    mask = Image.new("1", part.size)
    scale = part.width / (pepper.box[2] - pepper.box[0])
    for polygon in pepper.outline:
        points = [((x - pepper.box[0]) * scale, (y - pepper.box[1]) * scale) for x, y in polygon]
        ImageDraw.Draw(mask).polygon(points, fill=1)
    return webp(Image.fromarray(hatched(pixels, _least_ripe(pixels, np.asarray(mask), pepper))))


def _least_ripe(pixels: NDArray[np.uint8], inside: NDArray[np.bool_], pepper: GalleryPepper) -> NDArray[np.bool_]:
    pair = load_references().of(pepper.colour)
    if pair is None:  # a color that nobody has given a reference for has no share either
        return np.zeros_like(inside)
    lab = linear_to_lab(linear_from_bytes(pixels))
    ripe, unripe = (np.arctan2(end.lab[2], end.lab[1]) for end in (pair.ripe, pair.unripe))
    hue = np.arctan2(lab[..., 2], lab[..., 1])
    away = np.abs(np.angle(np.exp(1j * (hue - ripe)))) / max(
        abs(float(np.angle(np.exp(1j * (unripe - ripe))))), 0.1
    )
    skin = inside & (np.hypot(lab[..., 1], lab[..., 2]) > 12)  # shine and cut stem ends carry little color
    count = round(pepper.figure.value * int(skin.sum()))
    if count == 0:
        return np.zeros_like(inside)
    edge = np.partition(away[skin], -count)[-count]
    counted: NDArray[np.bool_] = skin & (away >= edge)
    return counted
