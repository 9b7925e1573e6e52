"""Places of the skin worth a second look, for a person to name or to pass over; nothing counts them.

Pointed out is what differs all round from the skin about it by more than shade. A lamp or window is mirrored at
about the same place of every pepper: a pale place that another pepper shows at the same place is a glint.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour import ColourCorrection
from truelobe.fruit import Silhouette
from truelobe.fruit.skin import SkinMap
from truelobe.grading.spots import Spot, likely_spots
from truelobe.pixels import shrunk
from truelobe.side_by_side import each

# Working size: a place of 3 mm on a pepper of 80 mm is still six pixels across.
SIDE_PX = 160
# A mirror image is as light as the card's white, or burnt out.
_MIRROR_L, _BURNT = 90.0, 250
# Places of two peppers count as the same within this share of the pepper's radius.
_SAME_PLACE = 0.3
MOST = 2
# Nothing is pointed at this near to stem and calyx, as a share of the pepper's longer side.
_FROM_STEM = 0.05


def point_out(
    pixels: NDArray[np.uint8],
    peppers: Sequence[tuple[Silhouette, SkinMap]],
    correction: ColourCorrection,
) -> list[tuple[Spot, ...]]:
    """Return for each pepper the places that look unlike the skin around them, in px of the upright photo.

    Parameters
    ----------
    pixels : uint8, shape (H, W, 3)
    peppers : sequence of (Silhouette, SkinMap)
    correction : ColourCorrection
    """
    silhouettes = [silhouette for silhouette, _ in peppers]
    found = each(lambda both: _of_one(pixels, *both, correction), peppers)
    kept = []
    for mine, (one, spots) in enumerate(zip(silhouettes, found, strict=True)):
        theirs = [
            _offset(other, spot)
            for place, other in enumerate(silhouettes)
            if place != mine
            for spot in found[place]
            if spot.look == "pale"
        ]
        true = [spot for spot in spots if spot.look != "pale" or not _among(_offset(one, spot), theirs)]
        kept.append(tuple(true[:MOST]))
    return kept


def _of_one(
    pixels: NDArray[np.uint8],
    silhouette: Silhouette,
    skin: SkinMap,
    correction: ColourCorrection,
) -> list[Spot]:
    x0, y0, x1, y1 = silhouette.box
    part = pixels[y0:y1, x0:x1]
    shrink = min(1.0, SIDE_PX / max(part.shape[:2]))
    size = (max(1, round(part.shape[1] * shrink)), max(1, round(part.shape[0] * shrink)))
    lab = correction.to_lab(np.asarray(np.rint(shrunk(part, size)), np.uint8))
    # Round the stem lie shadows and the calyx's own points.
    apart = np.ones((2 * round(_FROM_STEM * SIDE_PX / 2) + 1,) * 2, np.uint8)
    stem_end = cv2.dilate((shrunk(silhouette.calyx | silhouette.stem, size) > 0.2).astype(np.uint8), apart) > 0
    body = (shrunk(silhouette.body, size) > 0.95) & ~stem_end
    burnt = np.asarray(cv2.inRange(part, (_BURNT,) * 3, (255,) * 3), np.uint8)
    mirror = (lab[..., 0] > _MIRROR_L) | (shrunk(burnt, size) > 0.2 * 255)
    faced = skin.skin_mm2 * skin.facing
    mm_per_px = float(np.sqrt(np.median(faced[faced > 0]))) / shrink if (faced > 0).any() else 0.5
    rows, columns = np.mgrid[: size[1], : size[0]]
    kept = []
    for spot in likely_spots(lab, body, shrunk(skin.facing, size), mm_per_px=mm_per_px):
        near = np.hypot(columns - spot.centre_px[0], rows - spot.centre_px[1]) <= max(spot.radius_px, 1.0)
        if not mirror[near & body].any():
            kept.append(_in_photo(spot, (x0, y0), shrink))
    return kept


def _in_photo(spot: Spot, corner: tuple[int, int], shrink: float) -> Spot:
    x, y = ((place + 0.5) / shrink - 0.5 + start for place, start in zip(spot.centre_px, corner, strict=True))
    return replace(spot, centre_px=(x, y), radius_px=spot.radius_px / shrink)


def _offset(silhouette: Silhouette, spot: Spot) -> NDArray[np.float64]:
    """Where a place lies on its pepper: from the middle, in radii."""
    radius = float(np.sqrt(max(int(np.count_nonzero(silhouette.body)), 1) / np.pi))
    return np.asarray((np.asarray(spot.centre_px) - silhouette.centre_px) / radius)


def _among(offset: NDArray[np.float64], others: Sequence[NDArray[np.float64]]) -> bool:
    return any(float(np.linalg.norm(offset - other)) < _SAME_PLACE for other in others)
