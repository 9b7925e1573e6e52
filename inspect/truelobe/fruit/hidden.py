"""How much of a pepper nearer things hide, and which stretches of its outline are not its own rim.

Where two peppers meet in the picture, the nearer one's outline runs on smoothly through the border and the
farther one's breaks off. So each is completed by an ellipse through the rim it shows by itself, and the one whose
completion reaches farther into the other lies behind. What an unknown thing hides (a hand, a leaf) shows as a bay
that no pepper has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from truelobe.fruit.silhouette import Box, Mask, Polygon, area, filled

_NEAR = 0.035
"""A vertex nearer to another outline than this times the fruit's diameter lies on their border."""
_FEWEST_BORDER = 0.03
"""A border shorter than this share of the outline is a touch."""
_BEHIND = 0.015
"""Least share of a completion inside the neighbour for the fruit to lie behind it."""
_LARGEST_COMPLETION = 1.8
_USUAL_BAY = 0.05
"""Share of its convex hull that a whole pepper may lack between its shoulders and lobes."""


@dataclass(frozen=True)
class Rim:
    """An outer outline, in photo pixels, for comparison with its neighbours."""

    ring: Polygon
    box: Box
    at_frame: Mask

    @property
    def diameter(self) -> float:
        """Of a circle of the same area."""
        return 2 * float(np.sqrt(abs(area(self.ring)) / np.pi))


@dataclass(frozen=True)
class Hidden:
    """Estimated hidden fraction 0..1 of the whole silhouette, and the outer outline's hidden vertices (K,)."""

    fraction: float
    occluded: Mask


def rim(ring: Polygon, shape: tuple[int, int]) -> Rim:
    """Return an outline with the vertices that lie on the photo's frame marked."""
    low, high = np.floor(ring.min(axis=0)).astype(int), np.ceil(ring.max(axis=0)).astype(int) + 1
    reach = 0.01 * float(np.ptp(ring, axis=0).max()) + 1.0
    to_frame = np.minimum(ring.min(axis=1), (np.array([shape[1], shape[0]]) - 1 - ring).min(axis=1))
    return Rim(ring, (int(low[0]), int(low[1]), int(high[0]), int(high[1])), to_frame < reach)


def hidden(rims: Sequence[Rim]) -> tuple[Hidden, ...]:
    """Judge each pepper of a photo against the others."""
    borders = [[_border(one, other) for other in rims] for one in rims]
    met = [[border for border in row if border is not None] for row in borders]
    whole = [_completed(one, row) for one, row in zip(rims, met, strict=True)]
    return tuple(_judged(index, rims, borders[index], whole) for index in range(len(rims)))


def _border(one: Rim, other: Rim) -> Mask | None:
    """Vertices of one outline along another; None if they hardly meet."""
    if one is other:
        return None
    reach = _NEAR * min(one.diameter, other.diameter) + 1.0
    gap = np.maximum(np.array(one.box[:2]) - other.box[2:], np.array(other.box[:2]) - one.box[2:])
    if (gap > reach).any():
        return None
    distance = np.asarray(cKDTree(other.ring).query(one.ring, distance_upper_bound=reach)[0])
    near: Mask = distance <= reach
    return near if near.mean() > _FEWEST_BORDER else None


def _completed(one: Rim, borders: Sequence[Mask]) -> Polygon | None:
    """Ellipse through the vertices a pepper shows by itself; None where too few or too little of it is left."""
    own = ~one.at_frame
    for border in borders:
        own = own & ~border
    if own.all() or own.sum() < 20 or own.mean() < 0.3:
        return None
    centre, axes, turn = cv2.fitEllipseDirect(one.ring[own].astype(np.float32))
    if not np.isfinite([*centre, *axes, turn]).all() or np.pi / 4 * axes[0] * axes[1] > (
        _LARGEST_COMPLETION * abs(area(one.ring))
    ):
        return None
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    along = np.stack([axes[0] / 2 * np.cos(angle), axes[1] / 2 * np.sin(angle)], -1)
    cosine, sine = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    ellipse: Polygon = along @ np.array([[cosine, sine], [-sine, cosine]]) + np.array(centre)
    return ellipse


def _judged(
    index: int, rims: Sequence[Rim], borders: Sequence[Mask | None], whole: Sequence[Polygon | None]
) -> Hidden:
    one = rims[index]
    behind = one.at_frame.copy()
    lost = 0.0
    for other, border in enumerate(borders):
        if border is None:
            continue
        mine, theirs = _reach(whole[index], one, rims[other]), _reach(whole[other], rims[other], one)
        if mine > _BEHIND and mine >= theirs:
            behind |= border
            lost += mine
    lost += _outside_frame(whole[index], one)
    bay = max(_bay(one, behind) - _USUAL_BAY, 0.0)
    return Hidden(float(np.clip((lost + bay) / (1 + lost + bay), 0, 1)), behind)


def _reach(completion: Polygon | None, one: Rim, other: Rim) -> float:
    """Area of a completion inside another pepper, as a share of the first one's own area."""
    if completion is None:
        return 0.0
    inside = _sampled([completion], other.ring) & ~_sampled([one.ring], other.ring)
    return float(inside.mean()) * abs(area(other.ring)) / max(abs(area(one.ring)), 1.0)


def _sampled(polygons: Sequence[Polygon], within: Polygon) -> NDArray[np.bool_]:
    """Whether a coarse grid's points inside `within` lie in the polygons too."""
    low, span = within.min(axis=0), np.maximum(np.ptp(within, axis=0).max(), 1e-6)
    box = (0, 0, 96, 96)
    scale = 95 / span
    inner = filled([(within - low) * scale], box)
    return filled([(ring - low) * scale for ring in polygons], box)[inner]


def _outside_frame(completion: Polygon | None, one: Rim) -> float:
    """Share of the visible area that the completion adds beyond the frame."""
    if completion is None or not one.at_frame.any():
        return 0.0
    low, high = one.ring[one.at_frame].min(axis=0), one.ring[one.at_frame].max(axis=0)
    added = abs(area(completion)) / max(abs(area(one.ring)), 1.0) - 1.0
    return max(added, 0.0) if np.ptp([low, high], axis=0).max() > 0.1 * one.diameter else 0.0


def _bay(one: Rim, behind: Mask) -> float:
    """Share of the convex hull that is missing, where no known neighbour or frame explains it."""
    if behind.any():
        return 0.0
    hull = cv2.convexHull(one.ring.astype(np.float32))[:, 0].astype(np.float64)
    return 1.0 - abs(area(one.ring)) / max(abs(area(hull)), 1.0)
