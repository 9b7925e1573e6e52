"""Mend outlines by a tap: add a pepper, part two that were taken for one, join two that are one.

Adding and parting ask the same network and end with the same refinement as every outline; joining keeps both
outlines and closes the gap between them. The results carry numbers of their own; give the whole list to `numbered`
afterwards. A caller that mends several outlines of one photo may pass the `maps` of one look.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from truelobe.fruit.finder import candidate, compared
from truelobe.fruit.grouping import Groups, group
from truelobe.fruit.hidden import hidden, rim
from truelobe.fruit.network import FruitMaps, look
from truelobe.fruit.silhouette import Box, Mask, Polygon, Silhouette, area, bounding_box, contours, filled, moved
from truelobe.messages import TruelobeError

_LOWER_THRESHOLDS = (0.5, 0.3, 0.15, 0.06)
_FEWEST_PX = 60
_WIDEST_GAP = 0.06
"""A gap up to twice this, as a fraction of the root of the joint area, is closed."""
_MOST_OF_IT = 0.95
"""Share of both areas that the joined outline must hold."""
_CLOSER_LOOK = 0.4
"""Side of the closer look round a tap, as a fraction of the photo's longer side."""


def add_at(
    pixels: NDArray[np.uint8],
    xy: tuple[float, float],
    others: Sequence[Silhouette] = (),
    *,
    maps: FruitMaps | None = None,
) -> Silhouette:
    """Outline the pepper under a tap that the finder left out.

    The network's own maps are asked again with ever lower thresholds; then a closer look is taken round the tap.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    xy : tuple of float
        The tap, in photo pixels.
    others : sequence of Silhouette
        Outlines that stand; the new one keeps off them.
    maps : FruitMaps, optional
        Of the whole photo, to save a second look.

    Raises
    ------
    TruelobeError
        ``no-pepper-here`` when nothing under the tap looks like one.
    """
    found = _under_tap(pixels, maps or look(pixels), xy, others)
    if found is None:
        found = _closer(pixels, xy, others)
    if found is None:
        raise TruelobeError(
            "no-pepper-here",
            "Nothing at that spot looks like a pepper.",
            "Tap the middle of the pepper, or take the photo again from nearer.",
        )
    return found


def split(
    pixels: NDArray[np.uint8],
    one: Silhouette,
    first: tuple[float, float],
    second: tuple[float, float],
    *,
    maps: FruitMaps | None = None,
) -> tuple[Silhouette, Silhouette]:
    """Part an outline into the two peppers under two taps.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    one : Silhouette
    first, second : tuple of float
        The taps, in photo pixels.
    maps : FruitMaps, optional
        Of the whole photo, to save a second look.

    Returns
    -------
    tuple of Silhouette
        The pepper under the first tap, then the one under the second.

    Raises
    ------
    TruelobeError
        ``cannot-part`` when the taps are not both on the outline, or leave nothing for one of them.
    """
    maps = maps or look(pixels)
    own = _on_network(one, maps)
    seeds = maps.to_network(np.array([first, second]))
    rows, columns = np.nonzero(own)
    inside = [bool(filled(one.outline_px, _pixel(tap)).any()) for tap in (first, second)]
    if rows.size == 0 or not all(inside) or np.hypot(*(seeds[0] - seeds[1])) < 3:
        raise _cannot_part()
    # Vote and place both count: the vote alone fails where the network saw one fruit.
    places = np.stack([columns, rows], -1).astype(np.float64)
    votes = places + maps.vector[rows, columns]
    away = [np.hypot(*(places - seed).T) + np.hypot(*(votes - seed).T) for seed in seeds]
    bodies = np.zeros(own.shape, np.int32)
    bodies[rows, columns] = np.where(away[0] <= away[1], 1, 2)
    stems = np.where(_stem_on_network(one, maps), _nearest(seeds, own.shape), 0).astype(np.int32)
    halves = Groups(bodies, stems, 2)
    found = [candidate(pixels, maps, halves, number) for number in (1, 2) if (bodies == number).any()]
    kept = [part for part in found if part is not None]
    if len(kept) != 2:
        raise _cannot_part()
    both = compared(kept, maps.shape)
    return both[0], both[1]


def merge(one: Silhouette, other: Silhouette) -> Silhouette:
    """Join two outlines into one pepper; a narrow gap between them is closed.

    Raises
    ------
    TruelobeError
        ``cannot-join`` when they lie too far apart to be one pepper.
    """
    shown = _union(one.box, other.box)
    body = _placed(one.body, one.box, shown) | _placed(other.body, other.box, shown)
    closed = _closed(body, _WIDEST_GAP * float(np.sqrt(body.sum()))).astype(np.float32)
    rings = contours(ndimage.gaussian_filter(closed, 1.0, mode="constant"), 0.5, (shown[0], shown[1]))
    if not rings or abs(area(rings[0])) < _MOST_OF_IT * body.sum():
        raise TruelobeError(
            "cannot-join",
            "These two outlines are too far apart to be one pepper.",
            "Take one of them away instead.",
        )
    outline = tuple(ring for ring in rings if abs(area(ring)) > 0.004 * abs(area(rings[0])))
    whole = filled(outline, shown)
    part = hidden([rim(outline[0], (shown[3] + 8, shown[2] + 8))])[0]
    inner = bounding_box(whole)
    sizes = np.array([one.body.sum(), other.body.sum()], np.float64)
    return Silhouette(
        number=min(one.number, other.number),
        box=shown,
        body=whole,
        calyx=(_placed(one.calyx, one.box, shown) | _placed(other.calyx, other.box, shown)) & whole,
        stem=(_placed(one.stem, one.box, shown) | _placed(other.stem, other.box, shown)) & ~whole,
        outline_px=outline,
        calyx_px=one.calyx_px + other.calyx_px,
        stem_px=one.stem_px + other.stem_px,
        centre_px=np.array([shown[0] + (inner[0] + inner[2] - 1) / 2, shown[1] + (inner[1] + inner[3] - 1) / 2]),
        score=float(np.average([one.score, other.score], weights=sizes)),
        doubtful=False,
        hidden_fraction=part.fraction,
        occluded=(part.occluded, *(np.zeros(len(ring), bool) for ring in outline[1:])),
    )


def _under_tap(
    pixels: NDArray[np.uint8], maps: FruitMaps, xy: tuple[float, float], others: Sequence[Silhouette]
) -> Silhouette | None:
    place = maps.to_network(np.array(xy))
    column, row = round(float(place[0])), round(float(place[1]))
    height, width = maps.fruit.shape
    taken: Mask = np.zeros((height, width), bool)
    for other in others:
        taken = taken | _on_network(other, maps)
    if not (0 <= row < height and 0 <= column < width) or taken[row, column]:
        return None
    free = _without(maps, taken)
    for threshold in _LOWER_THRESHOLDS:
        groups = group(free, threshold=threshold, smallest=_FEWEST_PX, lowest_score=0.0)
        number = int(groups.bodies[row, column])
        if number:
            level = float(np.log(threshold / (1 - threshold)))
            found = candidate(pixels, free, groups, number, level)
            return None if found is None else compared([found], maps.shape)[0]
    return None


def _closer(pixels: NDArray[np.uint8], xy: tuple[float, float], others: Sequence[Silhouette]) -> Silhouette | None:
    """Look again at a smaller piece of the photo, where a small or odd pepper fills more of the network's view."""
    side = int(_CLOSER_LOOK * max(pixels.shape[:2]))
    x0 = int(np.clip(xy[0] - side / 2, 0, max(pixels.shape[1] - side, 0)))
    y0 = int(np.clip(xy[1] - side / 2, 0, max(pixels.shape[0] - side, 0)))
    piece = np.ascontiguousarray(pixels[y0 : y0 + side, x0 : x0 + side])
    corner = np.array([x0, y0], np.float64)
    rings = [ring - corner for other in others for ring in other.outline_px[:1]]
    near = look(piece, rings)
    found = _under_tap(piece, near, (xy[0] - x0, xy[1] - y0), ())
    return None if found is None else moved(found, x0, y0)


def _on_network(one: Silhouette, maps: FruitMaps) -> Mask:
    height, width = maps.fruit.shape
    return filled([maps.to_network(ring) for ring in one.outline_px], (0, 0, width, height))


def _stem_on_network(one: Silhouette, maps: FruitMaps) -> Mask:
    height, width = maps.fruit.shape
    return filled([maps.to_network(ring) for ring in one.stem_px], (0, 0, width, height))


def _nearest(seeds: Polygon, shape: tuple[int, ...]) -> NDArray[np.int32]:
    """Number (1 or 2) of the nearer seed, for each pixel."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    away = [np.hypot(columns - seed[0], rows - seed[1]) for seed in seeds]
    return np.where(away[0] <= away[1], 1, 2).astype(np.int32)


def _without(maps: FruitMaps, taken: Mask) -> FruitMaps:
    return _with_fruit(maps, np.where(taken, np.float32(-20), maps.fruit).astype(np.float32))


def _with_fruit(maps: FruitMaps, fruit: NDArray[np.float32]) -> FruitMaps:
    return dataclasses.replace(maps, fruit=fruit)


def _closed(mask: Mask, reach: float) -> Mask:
    """Morphological closing by a disc (Serra 1982), through distances, so that its cost does not grow with it."""
    margin = int(np.ceil(reach)) + 2
    padded = np.pad(mask, margin)
    away = cv2.distanceTransform((~padded).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    deep = cv2.distanceTransform((away <= reach).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    inner: Mask = (np.asarray(deep) > reach)[margin:-margin, margin:-margin]
    return inner | mask


def _union(first: Box, second: Box) -> Box:
    low, high = np.minimum(first, second)[:2], np.maximum(first, second)[2:]
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _placed(mask: Mask, box: Box, within: Box) -> Mask:
    """A mask of `box` on the larger `within`."""
    canvas = np.zeros((within[3] - within[1], within[2] - within[0]), bool)
    left, top = box[0] - within[0], box[1] - within[1]
    canvas[top : top + mask.shape[0], left : left + mask.shape[1]] = mask
    return canvas


def _pixel(xy: tuple[float, float]) -> tuple[int, int, int, int]:
    x, y = round(xy[0]), round(xy[1])
    return x, y, x + 1, y + 1


def _cannot_part() -> TruelobeError:
    return TruelobeError(
        "cannot-part", "These two taps do not part the outline.", "Tap once on each of the two peppers."
    )
