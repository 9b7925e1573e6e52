"""Find the peppers of a photo: the room's front door.

Network, grouping, refinement inside each fruit's box, hidden parts, and at last what is doubtful. Without the
trained model the plain colour finder stands in, and says so by marking everything doubtful.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.classical import find_by_colour
from truelobe.fruit.closer import closer_look, shows_more
from truelobe.fruit.grouping import Groups, group
from truelobe.fruit.hidden import Hidden, hidden, rim
from truelobe.fruit.network import FruitMaps, look, model_path, probability
from truelobe.fruit.refine import Edge, Refinement, snapped
from truelobe.fruit.silhouette import Mask, Polygon, Silhouette, area, bounding_box, contours, filled, grown, moved
from truelobe.fruit.window import Window, outline_at_network_size, window
from truelobe.messages import TruelobeError
from truelobe.side_by_side import each

_SMALLEST_RING = 0.004
"""Rings smaller than this share of the body are specks."""
_SMALLEST_CALYX = 0.001
LOWEST_NEAR_SCORE = 0.79
"""After the closer look: on development plates four of ten false finds score less, and no pepper."""
LOWEST_LONE_SCORE, LOWEST_LONE_EDGE = 0.95, 0.8
"""What isn't found again from nearer is no pepper below both of these score and sureness of edge: on development
plates five of six such false finds, and of seven peppers one that was half wrong."""
LOWEST_SURE_SCORE = 0.82
"""Of the well outlined peppers of development plates 99 % score more."""
LOWEST_SURE_EDGE = 0.54
"""Mean sureness of the network's edge below which the outline is doubtful: on development plates above most false
finds and below every well outlined pepper, which start at 0.7; real pictures are less clear."""
UNCLEAR_EDGE = 0.87
"""Sureness of the edge below which a closer look is repeated four ways mirrored: on development plates 31 of 217
peppers lie there, and of the 14 that overlap the true ones by less than 0.95, 11."""
SMALL_BESIDE_OTHERS = 0.3
"""A fruit with less area than this times the median of the others is doubtful."""
MOST_AT_FRAME = 0.09
"""Share of the outline along the photo's frame: a circle that loses more than 2 % of its diameter has more."""
MOST_HIDDEN = 0.45
_DIRECTIONS = 12


@dataclasses.dataclass(frozen=True)
class Candidate:
    """A fruit outlined by itself, before it is compared with its neighbours; `lost` when a closer look lost it."""

    silhouette: Silhouette
    outer: Polygon
    sureness: float
    lost: bool = False


def glance(pixels: NDArray[np.uint8]) -> FruitMaps | None:
    """Look once at a whole photo, uint8 (H, W, 3), nothing barred; None without the trained model."""
    try:
        return look(pixels)
    except TruelobeError:
        return None


def find_fruit(
    pixels: NDArray[np.uint8],
    exclude: Sequence[Polygon] = (),
    *,
    seen: FruitMaps | None = None,
    on_first: Callable[[Sequence[Polygon]], None] | None = None,
) -> tuple[Silhouette, ...]:
    """Find and outline every pepper of a photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        Upright RGB photo.
    exclude : sequence of ndarray of float, shape (K, 2)
        Polygons in photo pixels where no pepper is looked for, such as the card's outline.
    seen : FruitMaps, optional
        What a `glance` at these pixels has seen; without it there is one now.
    on_first : callable, optional
        Called with the outlines of the one look at the whole photo, in photo pixels: they stand long before the
        closer looks are through, a pixel or two off.

    Returns
    -------
    tuple of Silhouette
        In reading order, numbered from 1; empty if there is none.
    """
    seen = seen or glance(pixels)
    if seen is None:
        return find_by_colour(pixels, exclude)
    maps = seen.barring(exclude)
    groups = group(maps)
    if on_first is not None:
        rings = (outline_at_network_size(maps, groups, number) for number in range(1, groups.count + 1))
        on_first([ring for ring in rings if len(ring)])
    return outlined(pixels, maps, groups)


def model_name() -> str:
    """Name what outlines here: the trained model by the start of its fingerprint, or the stand-in."""
    try:
        content = model_path().read_bytes()
    except TruelobeError:
        return "color alone"
    return f"outlines {hashlib.sha256(content).hexdigest()[:8]}"


def outlined(
    pixels: NDArray[np.uint8], maps: FruitMaps, groups: Groups, refine: Refinement = snapped
) -> tuple[Silhouette, ...]:
    """Outline grouped fruits on the photo's own pixels, and compare them with each other."""
    found = each(lambda number: candidate(pixels, maps, groups, number, refine=refine), range(1, groups.count + 1))
    likely = [one for one in found if one is not None and one.silhouette.score >= LOWEST_NEAR_SCORE]
    return compared([one for one in likely if not (one.lost and _weak(one))], maps.shape)


def _weak(one: Candidate) -> bool:
    """Whether a find is too weak to stand by the first look alone."""
    return one.silhouette.score < LOWEST_LONE_SCORE and one.sureness < LOWEST_LONE_EDGE


def candidate(
    pixels: NDArray[np.uint8],
    maps: FruitMaps,
    groups: Groups,
    number: int,
    level: float = 0.0,
    refine: Refinement = snapped,
) -> Candidate | None:
    """Outline one fruit, from near where that shows more; None if nothing of it is left at full size.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    maps, groups : FruitMaps, Groups
        Of the look at these pixels.
    number : int
        The fruit's label in `groups`.
    level : float
        Logit of its edge.
    refine : callable
        What moves the outline onto the edge in the photo.
    """
    body = groups.bodies == number
    near = _from_nearer(pixels, maps, body, refine)
    if near is not None and near[0].sureness < UNCLEAR_EDGE:
        near = _from_nearer(pixels, maps, body, refine, mirrored=True) or near
    if near is None:
        first = _candidate(pixels, maps, groups, number, level, refine)
        return None if first is None else dataclasses.replace(first, lost=shows_more(maps, body))
    one, (right, down) = near
    outer = one.outer + np.array([right, down], np.float64)
    apart = disagreement(outer, outline_at_network_size(maps, groups, number))
    return Candidate(
        dataclasses.replace(moved(one.silhouette, right, down), disagreement_px=apart), outer, one.sureness
    )


def _from_nearer(
    pixels: NDArray[np.uint8], maps: FruitMaps, body: Mask, refine: Refinement, *, mirrored: bool = False
) -> tuple[Candidate, tuple[int, int]] | None:
    """Outline one fruit in a closer look, in that piece's pixels, and say where the piece lies."""
    again = closer_look(pixels, maps, body, mirrored=mirrored)
    one = None if again is None else _candidate(again.pixels, again.maps, again.groups, again.number, 0.0, refine)
    return None if again is None or one is None else (one, again.corner)


def disagreement(one: Polygon, other: Polygon) -> float | None:
    """Root mean square difference of two outlines' extents, px, over all directions."""
    if len(other) == 0:
        return None
    angle = np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS
    directions = np.stack([np.cos(angle), np.sin(angle)])
    difference = np.ptp(one @ directions, axis=0) - np.ptp(other @ directions, axis=0)
    return float(np.sqrt(np.mean(difference**2)))


def _candidate(
    pixels: NDArray[np.uint8], maps: FruitMaps, groups: Groups, number: int, level: float, refine: Refinement
) -> Candidate | None:
    """Outline one fruit from one look."""
    view = window(pixels, maps, groups, number, level)
    rings = contours(view.body, 0.0)
    if not rings:
        return None
    edge = refine(rings[0], view.lab, view.other, view.network_px)
    outer = view.to_photo(edge.ring)
    holes = tuple(view.to_photo(ring) for ring in _holes(rings))
    own = groups.bodies == number
    return Candidate(
        silhouette=_silhouette(view, outer, holes, pixels, score=float(probability(maps.fruit[own]).mean())),
        outer=outer,
        sureness=_sureness(maps, edge, view),
    )


def _holes(rings: tuple[Polygon, ...]) -> list[Polygon]:
    """Holes in the largest ring, where a stem points at the camera; loose parts beside it are left out."""
    turns, least = np.sign(area(rings[0])), _SMALLEST_RING * abs(area(rings[0]))
    border = rings[0].astype(np.float32)
    return [
        ring
        for ring in rings[1:]
        if np.sign(area(ring)) != turns
        and abs(area(ring)) >= least
        and cv2.pointPolygonTest(border, (float(ring[0, 0]), float(ring[0, 1])), False) >= 0
    ]


def compared(candidates: Sequence[Candidate], shape: tuple[int, int]) -> tuple[Silhouette, ...]:
    """Judge what neighbours and the frame hide, what is doubtful or cut off; number in reading order."""
    rims = [rim(one.outer, shape) for one in candidates]
    areas = np.array([abs(area(one.outer)) for one in candidates])
    finished = []
    for index, (one, edge, part) in enumerate(zip(candidates, rims, hidden(rims), strict=True)):
        others = np.delete(areas, index)
        small = others.size > 0 and float(areas[index]) < SMALL_BESIDE_OTHERS * float(np.median(others))
        doubtful = (
            one.silhouette.score < LOWEST_SURE_SCORE
            or one.sureness < LOWEST_SURE_EDGE
            or small
            or part.fraction > MOST_HIDDEN
        )
        cut_off = float(edge.at_frame.mean()) > MOST_AT_FRAME
        finished.append(_with_neighbours(one.silhouette, part, bool(doubtful), cut_off))
    return numbered(finished)


def numbered(silhouettes: Sequence[Silhouette]) -> tuple[Silhouette, ...]:
    """Number in reading order: rows from the top, each from the left."""
    if not silhouettes:
        return ()
    row = float(np.median([one.box[3] - one.box[1] for one in silhouettes])) * 0.7
    ordered: list[Silhouette] = []
    rest = sorted(silhouettes, key=lambda one: float(one.centre_px[1]))
    while rest:
        line = [one for one in rest if one.centre_px[1] < rest[0].centre_px[1] + row]
        rest = rest[len(line) :]
        ordered += sorted(line, key=lambda one: float(one.centre_px[0]))
    return tuple(dataclasses.replace(one, number=number) for number, one in enumerate(ordered, start=1))


def _silhouette(
    view: Window, outer: Polygon, holes: tuple[Polygon, ...], pixels: NDArray[np.uint8], score: float
) -> Silhouette:
    """The outline is the outer ring alone; the body's pixels leave out what a stem before it hides."""
    main = abs(area(outer)) * view.factor**2
    calyx_rings = [ring for ring in contours(view.calyx, 0.0) if abs(area(ring)) >= _SMALLEST_CALYX * main]
    stem_rings = [ring for ring in contours(view.stem, 0.0) if abs(area(ring)) >= _SMALLEST_CALYX * main]
    calyx_px = tuple(view.to_photo(ring) for ring in calyx_rings)
    stem_px = tuple(view.to_photo(ring) for ring in stem_rings)
    points = np.concatenate([outer, *stem_px])
    low, high = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int) + 1
    box = grown((int(low[0]), int(low[1]), int(high[0]), int(high[1])), 1, pixels.shape)
    body = filled((outer, *holes), box)
    inner = bounding_box(body)
    return Silhouette(
        number=1,
        box=box,
        body=body,
        calyx=filled(calyx_px, box) & body,
        stem=filled(stem_px, box) & ~body,
        outline_px=(outer,),
        calyx_px=calyx_px,
        stem_px=stem_px,
        centre_px=np.array([box[0] + (inner[0] + inner[2] - 1) / 2, box[1] + (inner[1] + inner[3] - 1) / 2]),
        score=score,
        doubtful=False,
        hidden_fraction=0.0,
        occluded=(np.zeros(len(outer), bool),),
    )


def _sureness(maps: FruitMaps, edge: Edge, view: Window) -> float:
    """How steeply the network's own probability falls at the outline, 0..1: from 1 px inside to 1 px outside."""
    ring = maps.to_network(view.to_photo(edge.ring))
    tangent = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1) * np.sign(area(ring))
    normal /= np.maximum(np.hypot(normal[:, :1], normal[:, 1:]), 1e-9)
    height, width = maps.fruit.shape

    def at(places: Polygon) -> Polygon:
        columns = np.clip(np.round(places[:, 0]).astype(int), 0, width - 1)
        rows = np.clip(np.round(places[:, 1]).astype(int), 0, height - 1)
        found: Polygon = probability(maps.fruit[rows, columns]).astype(np.float64)
        return found

    fall = at(ring - 2.5 * normal) - np.minimum(at(ring + 2.5 * normal), 1 - maps_contact(maps, ring))
    return float(np.clip(fall, 0, 1).mean())


def maps_contact(maps: FruitMaps, ring: Polygon) -> Polygon:
    """Contact probability at network positions (K, 2): a border to another fruit is an edge as well."""
    height, width = maps.contact.shape
    columns = np.clip(np.round(ring[:, 0]).astype(int), 0, width - 1)
    rows = np.clip(np.round(ring[:, 1]).astype(int), 0, height - 1)
    found: Polygon = maps.contact[rows, columns].astype(np.float64)
    return found


def _with_neighbours(one: Silhouette, part: Hidden, doubtful: bool, cut_off: bool) -> Silhouette:
    occluded: tuple[Mask, ...] = (part.occluded, *one.occluded[1:])
    return dataclasses.replace(
        one, doubtful=doubtful, hidden_fraction=part.fraction, occluded=occluded, cut_off=cut_off
    )
