"""Whether the card lies on what the peppers lie on, or a plate, tray or board lifts the peppers above it.

Straight lines are drawn over the bare ground from just outside the card to just outside a pepper. A plate's rim
crosses every one of them as a step of color or lightness; a cast shadow or a stain crosses only some. So where a
good share of the lines meet no step, and the ground looks alike at both ends, it is one surface; where it looks
different at both ends, it is two. A patterned cloth answers neither way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.silhouette import Polygon
from truelobe.pixels import halved

Ground = Literal["same", "other"]

# The lines start and end this far, mm, outside card and pepper: beyond blur and the darkest of the contact shadow.
OFF_CARD, OFF_FRUIT = 7.0, 6.0
# Colors are averaged over this length, mm, before and after each place of a line.
SPAN = 4
LINES, LEAST_LINES = 1500, 40
CALM_SHARE = 0.15
# CIELAB differences, lightness counted 0.7 since light falls off over a table: a step below CALM is wood grain or
# noise; grounds less than ALIKE apart may be one, more than UNLIKE apart are not. Set on 73 made plates: 21 of 24
# cards on the peppers' own ground are found so, and 42 of 49 others; one is called wrongly (a dotted cloth).
CALM, ALIKE, UNLIKE = 4.0, 11.0, 13.0
LIGHTNESS = 0.7


def ground_between(
    pixels: NDArray[np.uint8], card_px: Polygon, card_mm: tuple[float, float], outlines: Sequence[Polygon]
) -> Ground | None:
    """Say whether card and peppers lie on one surface.

    Parameters
    ----------
    pixels : uint8, shape (H, W, 3)
        Upright RGB photo.
    card_px : float64, shape (4, 2)
        The card's corners.
    card_mm : (float, float)
        Its width and height.
    outlines : sequence of float64, shape (K, 2)
        The peppers.

    Returns
    -------
    {"same", "other"} or None
        None where the picture does not tell.
    """
    per_mm = float(np.linalg.norm(card_px - np.roll(card_px, 1, axis=0), axis=1).max()) / max(card_mm)
    nearly, left = halved(pixels, per_mm)
    small = cv2.resize(nearly, None, fx=1 / left, fy=1 / left, interpolation=cv2.INTER_AREA)
    lab = np.asarray(cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2LAB), np.float32)
    lab[..., 0] *= LIGHTNESS
    card = _painted([(card_px + 0.5) / per_mm - 0.5], lab.shape)
    fruit = _painted([(ring + 0.5) / per_mm - 0.5 for ring in outlines], lab.shape)
    blocked = cv2.dilate(card | fruit, np.ones((5, 5), np.uint8)) > 0
    starts, ends = _around(card, OFF_CARD, blocked), _around(fruit, OFF_FRUIT, blocked)
    if min(len(starts), len(ends)) < LEAST_LINES:
        return None
    steps = _largest_steps(lab, blocked, starts, ends)
    if len(steps) < LEAST_LINES:
        return None
    apart = float(np.linalg.norm(_median(lab, starts) - _median(lab, ends)))
    if apart < ALIKE and float(np.quantile(steps, CALM_SHARE)) < CALM:
        return "same"
    return "other" if apart > UNLIKE else None


def _painted(rings: Sequence[Polygon], shape: tuple[int, ...]) -> NDArray[np.uint8]:
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(ring).astype(np.int32) for ring in rings], 1)
    return mask


def _around(mask: NDArray[np.uint8], distance: float, blocked: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Pixels x, y, shape (n, 2), at a distance outside a mask."""
    away = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5)
    rows, columns = np.nonzero((np.abs(away - distance) < 1) & ~blocked)
    return np.column_stack([columns, rows])


def _median(lab: NDArray[np.float32], places: NDArray[np.int64]) -> NDArray[np.float64]:
    middle: NDArray[np.float64] = np.median(lab[places[:, 1], places[:, 0]], axis=0).astype(np.float64)
    return middle


def _largest_steps(
    lab: NDArray[np.float32], blocked: NDArray[np.bool_], starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> NDArray[np.float64]:
    """The largest step that each free line meets, shape (n,)."""
    draw = np.random.default_rng(6)
    first = starts[draw.integers(len(starts), size=LINES)].astype(np.float32)
    run = ends[draw.integers(len(ends), size=LINES)] - first
    length = np.hypot(run[:, 0], run[:, 1])
    long = length > 2 * SPAN + 2
    first, run, length = first[long], run[long], length[long]
    if not len(length):
        return np.empty(0)
    # A line's end is repeated to the length of the longest: no step is added.
    part = np.minimum(np.arange(int(length.max()) + 1) / length[:, None], 1.0)
    across, down = (first[:, axis, None] + part * run[:, axis, None] for axis in (0, 1))
    free = ~blocked[np.rint(down).astype(np.int32), np.rint(across).astype(np.int32)].any(axis=1)
    if not free.any():
        return np.empty(0)
    seen = cv2.remap(lab, across[free].astype(np.float32), down[free].astype(np.float32), cv2.INTER_LINEAR)
    sums = np.cumsum(np.pad(seen, ((0, 0), (1, 0), (0, 0))), axis=1, dtype=np.float64)
    means = (sums[:, SPAN:] - sums[:, :-SPAN]) / SPAN
    steps: NDArray[np.float64] = np.linalg.norm(means[:, SPAN:] - means[:, :-SPAN], axis=2).max(axis=1)
    return steps
