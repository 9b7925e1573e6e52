"""One pepper as it stands in the picture: its masks, its outline, how sure the finder is.

Pixel centres lie at whole numbers: the pixel in column 3 and row 5 covers 2.5..3.5 across and 4.5..5.5 down.
A polygon is a float64 array of shape (K, 2), x first, not repeating its first vertex; several polygons together
fill by the even-odd rule, so a ring inside another is a hole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from skimage.measure import approximate_polygon, find_contours

Mask = NDArray[np.bool_]
Polygon = NDArray[np.float64]
Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Silhouette:
    """A pepper in the picture.

    Attributes
    ----------
    number : int
        Counts from 1, in reading order.
    box : tuple of int
        x0, y0, x1, y1 in photo pixels, the last two exclusive; the masks are cropped to it.
    body, calyx, stem : ndarray of bool, shape (h, w)
        The body holds the calyx, not the stem. The calyx is a part of the body.
    outline_px, calyx_px, stem_px : tuple of polygons
        Sub-pixel outlines in photo pixels.
    centre_px : ndarray of float64, shape (2,)
        Middle of the visible body.
    score : float
        Mean probability, 0..1, that the body's pixels belong to a pepper.
    doubtful : bool
        The finder is not sure that this is a pepper rightly outlined; a person should look.
    hidden_fraction : float
        Estimated fraction of the whole silhouette that nearer things or the picture's frame hide.
    occluded : tuple of ndarray of bool, shape (K,)
        Beside `outline_px`: vertices on the border to something nearer, so not on the pepper's own rim.
    disagreement_px : float or None
        How far two looks at this pepper differ in its extents, root mean square over directions; None where there
        was only one.
    cut_off : bool
        The photo's frame cuts off so much of it that its size can't be told, however right the outline is.
    """

    number: int
    box: Box
    body: Mask
    calyx: Mask
    stem: Mask
    outline_px: tuple[Polygon, ...]
    calyx_px: tuple[Polygon, ...]
    stem_px: tuple[Polygon, ...]
    centre_px: Polygon
    score: float
    doubtful: bool
    hidden_fraction: float
    occluded: tuple[Mask, ...]
    disagreement_px: float | None = None
    cut_off: bool = False


def contours(
    field: NDArray[np.floating], level: float, origin: tuple[float, float] = (0.0, 0.0)
) -> tuple[Polygon, ...]:
    """Return where a field crosses a level, as closed polygons to a fraction of a pixel.

    Parameters
    ----------
    field : ndarray of float, shape (h, w)
        Larger inside.
    level : float
        The edge's value.
    origin : tuple of float
        Photo position of the field's first pixel.

    Returns
    -------
    tuple of polygons
        Largest first. What touches the field's border is closed along it, half a pixel outside.

    Notes
    -----
    Marching squares: Lorensen & Cline 1987, in its two-dimensional form.
    """
    inside = np.asarray(field >= level)
    if not inside.any():
        return ()
    x0, y0, x1, y1 = grown(bounding_box(inside), 2, field.shape)
    start = np.array([origin[0] + x0 - 1, origin[1] + y0 - 1], np.float64)
    found = find_contours(_framed(np.asarray(field[y0:y1, x0:x1], np.float64), level), level)
    rings = [ring[:-1, ::-1] + start for ring in found if len(ring) > 3]
    return tuple(sorted(rings, key=lambda ring: -abs(area(ring))))


def _framed(field: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """A frame as far below the level as its neighbours are above: a shape is closed half a pixel outside."""
    framed = np.pad(field, 1, mode="edge")
    for side in (np.s_[0], np.s_[-1], np.s_[1:-1, 0], np.s_[1:-1, -1]):
        framed[side] = level - np.maximum(framed[side] - level, 1e-9)
    return framed


def mask_contours(
    mask: Mask, origin: tuple[float, float] = (0.0, 0.0), tolerance: float = 0.0
) -> tuple[Polygon, ...]:
    """Return a mask's outlines; `tolerance` in pixels thins the vertices (Douglas & Peucker 1973)."""
    rings = contours(mask.astype(np.float64), 0.5, origin)
    return tuple(thin(ring, tolerance) for ring in rings) if tolerance > 0 else rings


def thin(ring: Polygon, tolerance: float) -> Polygon:
    """Drop vertices that lie within `tolerance` pixels of the line without them."""
    closed = np.concatenate([ring, ring[:1]])
    thinned: Polygon = approximate_polygon(closed, tolerance)[:-1]
    return thinned if len(thinned) >= 3 else ring


def filled(polygons: Sequence[Polygon], box: Box) -> Mask:
    """Return the pixels of `box` whose centres lie inside the polygons (even-odd rule).

    Parameters
    ----------
    polygons : sequence of ndarray, shape (K, 2)
        In photo pixels.
    box : tuple of int
        x0, y0, x1, y1, the last two exclusive.

    Returns
    -------
    ndarray of bool, shape (y1 - y0, x1 - x0)
    """
    x0, y0, x1, y1 = box
    height, width = max(y1 - y0, 0), max(x1 - x0, 0)
    toggles = np.zeros(height * (width + 1), np.uint8)  # only whether they are odd counts, which bytes keep
    for ring in polygons:
        ring = np.asarray(ring, np.float64)
        if len(ring) < 3:
            continue
        start, end = ring, np.roll(ring, -1, axis=0)
        upper = np.minimum(start[:, 1], end[:, 1])
        lower = np.maximum(start[:, 1], end[:, 1])
        first = np.maximum(np.ceil(upper), y0).astype(int)
        last = np.minimum(np.ceil(lower), y1).astype(int)  # exclusive: a vertex on a row counts for one edge only
        counts = np.maximum(last - first, 0)
        edge = np.repeat(np.arange(len(ring)), counts)
        rows = first[edge] + np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        slope = (end[edge, 0] - start[edge, 0]) / (end[edge, 1] - start[edge, 1])
        crossing = start[edge, 0] + (rows - start[edge, 1]) * slope
        columns = np.clip(np.ceil(crossing).astype(int) - x0, 0, width)
        np.add.at(toggles, (rows - y0) * (width + 1) + columns, np.uint8(1))
    passed = np.cumsum(toggles.reshape(height, width + 1), axis=1, dtype=np.uint8)
    return np.ascontiguousarray(passed[:, :width] & 1).view(bool)


def area(ring: Polygon) -> float:
    """Return a polygon's signed area in square pixels."""
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def bounding_box(mask: Mask) -> Box:
    """Return the smallest box round a mask's pixels; an empty mask gives an empty box."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if rows.size == 0:
        return 0, 0, 0, 0
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def grown(box: Box, margin: int, shape: tuple[int, ...]) -> Box:
    """Return the box with a margin all round, kept inside a picture of the given shape (height first)."""
    x0, y0, x1, y1 = box
    return max(x0 - margin, 0), max(y0 - margin, 0), min(x1 + margin, shape[1]), min(y1 + margin, shape[0])


def moved(one: Silhouette, right: int, down: int) -> Silhouette:
    """Return the silhouette shifted by whole pixels."""
    shift = np.array([right, down], np.float64)

    def shifted(rings: tuple[Polygon, ...]) -> tuple[Polygon, ...]:
        return tuple(ring + shift for ring in rings)

    x0, y0, x1, y1 = one.box
    return replace(
        one,
        box=(x0 + right, y0 + down, x1 + right, y1 + down),
        outline_px=shifted(one.outline_px),
        calyx_px=shifted(one.calyx_px),
        stem_px=shifted(one.stem_px),
        centre_px=one.centre_px + shift,
    )


def overlap(first: Silhouette, second: Silhouette) -> float:
    """Return the intersection over union of two bodies."""
    x0, y0 = min(first.box[0], second.box[0]), min(first.box[1], second.box[1])
    x1, y1 = max(first.box[2], second.box[2]), max(first.box[3], second.box[3])
    canvas = np.zeros((2, y1 - y0, x1 - x0), bool)
    for layer, one in zip(canvas, (first, second), strict=True):
        left, top, right, bottom = one.box
        layer[top - y0 : bottom - y0, left - x0 : right - x0] = one.body
    union = int((canvas[0] | canvas[1]).sum())
    return int((canvas[0] & canvas[1]).sum()) / union if union else 0.0
