"""A fruit's box at working size: the network's answers and the photo's own pixels on one grid."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.grouping import Groups
from truelobe.fruit.network import FruitMaps
from truelobe.fruit.silhouette import Box, Polygon, bounding_box, contours, grown
from truelobe.pixels import blurred

Floats = NDArray[np.float32]

_MARGIN_PX = 7
"""Room round the fruit, in network pixels."""
_MOST_WORKING_PX = 400
_OWNER_BLUR_PX = 1.5
_OWNER_STEEPNESS = 8.0


@dataclass(frozen=True)
class Window:
    """One fruit's surroundings.

    Attributes
    ----------
    box : tuple of int
        x0, y0, x1, y1 in photo pixels.
    factor : float
        Working pixels per photo pixel.
    network_px : float
        Length of one network pixel in working pixels.
    size : tuple of int
        Width and height in working pixels.
    body, calyx, stem : ndarray of float32, shape (h, w)
        This fruit's own fields: above 0 inside.
    other : ndarray of float32, shape (h, w)
        How much (0..1) a pixel belongs to another fruit's body or stem.
    lab : ndarray of float32, shape (h, w, 3)
        The photo's pixels in CIELAB.
    """

    box: Box
    factor: float
    network_px: float
    size: tuple[int, int]
    body: Floats
    calyx: Floats
    stem: Floats
    other: Floats
    lab: Floats

    def to_photo(self, working_xy: Polygon) -> Polygon:
        """Working positions (K, 2) in photo pixels."""
        placed: Polygon = (working_xy + 0.5) / self.factor - 0.5 + np.array(self.box[:2], np.float64)
        return placed


def window(pixels: NDArray[np.uint8], maps: FruitMaps, groups: Groups, number: int, level: float = 0.0) -> Window:
    """Cut out one fruit.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    maps : FruitMaps
    groups : Groups
    number : int
        The fruit's label in `groups`.
    level : float
        Logit of the fruit's edge.
    """
    own = groups.bodies == number
    shown = own | (groups.stems == number)
    rows, columns = np.flatnonzero(shown.any(axis=1)), np.flatnonzero(shown.any(axis=0))
    tight = (int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1)
    cut = grown(tight, _MARGIN_PX, own.shape)
    box = maps.photo_box(cut)
    scale = max(maps.scale)
    largest = max(box[2] - box[0], box[3] - box[1])
    factor = min(max(_MOST_WORKING_PX / largest, scale), max(1.0, scale))
    size = (max(round((box[2] - box[0]) * factor), 1), max(round((box[3] - box[1]) * factor), 1))
    part = (slice(cut[1], cut[3]), slice(cut[0], cut[2]))
    sampler = _Sampler(maps.scale, box, factor, size, cut[:2])
    stem = groups.stems[part] == number
    other_body = (maps.fruit[part] > level) & ~own[part]
    other_stem = (groups.stems[part] > 0) & ~stem
    rim = _rim(maps.fruit[part] - np.float32(level), own[part])
    stem_rim = np.minimum(maps.stem[part], _OWNER_STEEPNESS * (_soft(stem) - _soft(other_stem)))
    return Window(
        box=box,
        factor=factor,
        network_px=factor / scale,
        size=size,
        body=sampler(rim),
        calyx=sampler(np.minimum(maps.calyx[part], rim + 2)),
        stem=sampler(stem_rim),
        other=sampler(_soft(other_body | other_stem)),
        lab=_lab(pixels[box[1] : box[3], box[0] : box[2]], size),
    )


def outline_at_network_size(maps: FruitMaps, groups: Groups, number: int) -> Polygon:
    """Return one fruit's outer outline in photo pixels as the network gives it, not moved to the photo's edges."""
    own = groups.bodies == number
    cut = grown(bounding_box(own), _MARGIN_PX, own.shape)
    part = (slice(cut[1], cut[3]), slice(cut[0], cut[2]))
    rings = contours(_rim(maps.fruit[part], own[part]), 0.0, (cut[0], cut[1]))
    return maps.to_photo(rings[0]) if rings else np.empty((0, 2))


def _rim(fruit: Floats, own: NDArray[np.bool_]) -> Floats:
    """A field that is above 0 on a fruit's own side of its edge and of its borders with others."""
    mine, theirs = _soft(own), _soft((fruit > 0) & ~own)
    rim: Floats = np.minimum(fruit, _OWNER_STEEPNESS * (mine - theirs))
    return rim


@dataclass(frozen=True)
class _Sampler:
    """Brings a piece of a network map onto the working grid, half pixels kept right."""

    scale: tuple[float, float]
    box: Box
    factor: float
    size: tuple[int, int]
    corner: tuple[int, int]

    def __call__(self, piece: NDArray[np.float32]) -> Floats:
        matrix = np.zeros((2, 3))
        for axis in (0, 1):
            matrix[axis, axis] = self.scale[axis] / self.factor
            start = (self.box[axis] + 0.5 / self.factor) * self.scale[axis] - 0.5
            matrix[axis, 2] = start - self.corner[axis]
        clipped = np.clip(piece, -12, 12).astype(np.float32)  # a far plunge would ring in the cubic
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        field = cv2.warpAffine(clipped, matrix, self.size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(field, np.float32)


def _soft(mask: NDArray[np.bool_]) -> Floats:
    return blurred(mask.astype(np.float32), _OWNER_BLUR_PX)


def _lab(piece: NDArray[np.uint8], size: tuple[int, int]) -> Floats:
    shrinks = size[0] < piece.shape[1]
    fitted = cv2.resize(piece, size, interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC)
    return np.asarray(cv2.cvtColor(fitted.astype(np.float32) / 255, cv2.COLOR_RGB2LAB), np.float32)
