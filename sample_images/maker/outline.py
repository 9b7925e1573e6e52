"""Outlines of masks as polygons: along the pixel edges of a fine raster, smoothed by its step, thinned."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


def polygons(mask: NDArray[np.bool_], factor: int, least_px: float = 6.0, tolerance: float = 0.1) -> list[Floats]:
    """Outer outlines of a mask, largest first, in photo pixels (centres at whole numbers).

    Parameters
    ----------
    mask : bool (h, w)
        On a raster `factor` times as fine as the photo.
    least_px : float
        Smaller pieces (area in photo pixels) are left out.
    tolerance : float
        Largest departure of the thinned polygon, photo pixels.
    """
    found = []
    for loop in _loops(mask):
        middle = (loop + np.roll(loop, -1, axis=0)) / 2
        for _ in range(2):
            middle = (np.roll(middle, 1, axis=0) + 2 * middle + np.roll(middle, -1, axis=0)) / 4
        points = middle / factor - 0.5
        area = area_of(points)
        if area >= least_px:  # holes run the other way round and are negative
            found.append((area, points[_thin(points, tolerance)]))
    return [points for _, points in sorted(found, key=lambda pair: -pair[0])]


def area_of(points: Floats) -> float:
    """Signed area of a polygon, positive clockwise as seen on a screen."""
    x, y = points[:, 0], points[:, 1]
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def _loops(mask: NDArray[np.bool_]) -> list[Floats]:
    """Closed walks along pixel edges, the mask on the right hand (clockwise on a screen)."""
    padded = np.pad(mask, 1)
    inner = padded[1:-1, 1:-1]
    steps = []
    for (dy, dx), start, end in (
        ((-1, 0), (0, 0), (1, 0)),
        ((0, 1), (1, 0), (1, 1)),
        ((1, 0), (1, 1), (0, 1)),
        ((0, -1), (0, 1), (0, 0)),
    ):
        beyond = padded[1 + dy : padded.shape[0] - 1 + dy, 1 + dx : padded.shape[1] - 1 + dx]
        y, x = np.nonzero(inner & ~beyond)
        steps.append(np.stack([x + start[0], y + start[1], x + end[0], y + end[1]], axis=-1))
    onward: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for x0, y0, x1, y1 in np.concatenate(steps).tolist():
        onward.setdefault((x0, y0), []).append((x1, y1))
    loops = []
    while onward:
        first = next(iter(onward))
        walk, here, heading = [first], first, (0, 0)
        while True:
            ways = onward[here]
            choice = 0
            if len(ways) == 2:  # two pixels meet at a corner: turn right, so they stay apart
                right = (here[0] - heading[1], here[1] + heading[0])
                choice = ways.index(right) if right in ways else 0
            there = ways.pop(choice)
            if not ways:
                del onward[here]
            heading, here = (there[0] - here[0], there[1] - here[1]), there
            if here == first:
                break
            walk.append(here)
        loops.append(np.array(walk, float))
    return loops


def _thin(points: Floats, tolerance: float) -> NDArray[np.intp]:
    """Indices kept by Douglas and Peucker's rule (1973)."""
    far = int(np.argmax(np.linalg.norm(points - points[0], axis=1)))
    keep = {0, far}
    closed = np.concatenate([points, points[:1]])
    stack = [(0, far), (far, len(points))]
    while stack:
        start, stop = stack.pop()
        if stop - start < 2:
            continue
        chord = closed[stop] - closed[start]
        away = closed[start + 1 : stop] - closed[start]
        length = float(np.hypot(*chord))
        gap = (
            np.abs(chord[0] * away[:, 1] - chord[1] * away[:, 0]) / length
            if length
            else np.linalg.norm(away, axis=1)
        )
        worst = int(np.argmax(gap))
        if gap[worst] > tolerance:
            middle = start + 1 + worst
            keep.add(middle)
            stack += [(start, middle), (middle, stop)]
    return np.array(sorted(keep), np.intp)
