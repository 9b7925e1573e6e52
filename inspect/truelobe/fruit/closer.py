"""A closer look at each fruit: the network asked again about the piece of the photo round it.

In a look at the whole photo a pepper is some hundred network pixels long, and its outline cannot be better than
the fraction of such a pixel that the network can tell. Where the photo has more to show, the same network sees the
fruit's surroundings at about twice the size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.grouping import Groups, group
from truelobe.fruit.network import LEAST_GAIN, FruitMaps, look
from truelobe.fruit.silhouette import Box, Mask, bounding_box, filled, mask_contours

VIEW_PX = 320
"""Side of the closer look, in network pixels."""
FRUIT_PX = 200
"""Length of the fruit in it: as large as the larger fruits the network was trained on."""
_SAME_FRUIT = 0.7
"""Least overlap with the fruit as first seen; below it the first look stands."""


@dataclass(frozen=True)
class CloserLook:
    """A piece of the photo, the network's answer about it, and which group there is the fruit.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (h, w, 3)
        The piece.
    corner : tuple of int
        Photo position x, y of its first pixel.
    maps, groups : FruitMaps, Groups
        Of the piece.
    number : int
        The fruit's label in `groups`.
    """

    pixels: NDArray[np.uint8]
    corner: tuple[int, int]
    maps: FruitMaps
    groups: Groups
    number: int


def shows_more(maps: FruitMaps, body: Mask) -> bool:
    """Say whether a closer look at a fruit would show more than the first one, given its body there."""
    return VIEW_PX / _side(maps.photo_box(bounding_box(body))) >= LEAST_GAIN * max(maps.scale)


def _side(box: Box) -> float:
    """Side of the piece to look at, photo pixels; no fewer than the view has: enlarging shows nothing new."""
    x0, y0, x1, y1 = box
    return float(max(max(x1 - x0, y1 - y0) * VIEW_PX / FRUIT_PX, VIEW_PX))


def closer_look(
    pixels: NDArray[np.uint8], maps: FruitMaps, body: Mask, *, mirrored: bool = False
) -> CloserLook | None:
    """Look again at one fruit; None where that shows no more, or not the same fruit.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    maps : FruitMaps
        Of the first look at these pixels.
    body : ndarray of bool, shape (h, w)
        The fruit's body in that look.
    mirrored : bool
        Look four ways mirrored, which takes four times as long.
    """
    if not shows_more(maps, body):
        return None
    tight = bounding_box(body)
    x0, y0, x1, y1 = maps.photo_box(tight)
    side = _side((x0, y0, x1, y1))
    left, top = max(round((x0 + x1 - side) / 2), 0), max(round((y0 + y1 - side) / 2), 0)
    right, bottom = (
        min(round((x0 + x1 + side) / 2), maps.shape[1]),
        min(round((y0 + y1 + side) / 2), maps.shape[0]),
    )
    # Even sides: a large piece is quickly halved.
    piece = pixels[top : bottom - (bottom - top) % 2, left : right - (right - left) % 2]
    corner = np.array([left, top], np.float64)
    near = look(
        piece, tuple(ring - corner for ring in maps.exclude), maps.model, (VIEW_PX, VIEW_PX), mirrored=mirrored
    )
    groups = group(near)
    height, width = near.fruit.shape
    cut = body[tight[1] : tight[3], tight[0] : tight[2]]
    rings = (near.to_network(maps.to_photo(ring) - corner) for ring in mask_contours(cut, tight[:2]))
    number, same = _most_like(groups, filled(list(rings), (0, 0, width, height)))
    return CloserLook(piece, (left, top), near, groups, number) if same >= _SAME_FRUIT else None


def _most_like(groups: Groups, seen: Mask) -> tuple[int, float]:
    """The group that overlaps a mask most, and their intersection over union."""
    inside = np.bincount(groups.bodies[seen], minlength=groups.count + 1)[1:]
    if inside.size == 0 or not inside.any():
        return 0, 0.0
    number = int(inside.argmax()) + 1
    union = int(np.count_nonzero(seen)) + int(np.count_nonzero(groups.bodies == number)) - int(inside[number - 1])
    return number, float(inside[number - 1]) / union
