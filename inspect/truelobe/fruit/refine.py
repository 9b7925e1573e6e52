"""Move an outline onto the edge that the photo's own pixels show, to a fraction of a pixel.

Along each vertex's normal the colours just inside and just outside the network's outline are the two sides of a
step; the edge lies where the step is crossed. Dynamic programming round the outline keeps neighbouring vertices
together (Amini, Weymouth & Jain 1990, closed contours), and where the two sides hardly differ, or another fruit
lies beyond, the network's outline stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from truelobe.fruit.silhouette import Polygon, area

Floats = NDArray[np.float64]

_SPACING = 1.5
"""Between vertices, in working pixels."""
_STEP = 0.5
"""Between places tried along a normal, in working pixels."""
_REACH = 1.6
"""How far the edge may lie from the network's outline, in network pixels."""
_SIDE = 3.0
"""Depth of the two sides whose colours are compared, in working pixels."""
_FAINT = 8.0
"""CIELAB difference at which an edge counts half."""
_LIGHTNESS = 0.5
"""Lightness counts less than colour: shadows and gloss live in it."""
_PRIOR = 0.35
_BEND = 0.6
_MOST_AREA_CHANGE = 0.08


@dataclass(frozen=True)
class Edge:
    """An outline in working pixels.

    Attributes
    ----------
    ring : ndarray of float64, shape (K, 2)
    clear : ndarray of float64, shape (K,)
        0..1: how clearly the photo shows an edge there.
    moved : bool
        False when the network's outline was kept.
    """

    ring: Polygon
    clear: Floats
    moved: bool


Refinement = Callable[[Polygon, NDArray[np.float32], NDArray[np.float32], float], Edge]
"""What `snapped` is: outline, colours, how much a pixel is another fruit's, length of a network pixel."""


def snapped(ring: Polygon, lab: NDArray[np.float32], other: NDArray[np.float32], network_px: float) -> Edge:
    """Return the outline moved onto the edge, or as it was where the guard refuses.

    Parameters
    ----------
    ring : ndarray of float64, shape (K, 2)
        The network's outline in working pixels.
    lab : ndarray of float32, shape (h, w, 3)
        CIELAB pixels at working size.
    other : ndarray of float32, shape (h, w)
        How much a pixel belongs to another fruit, 0..1.
    network_px : float
        Length of one network pixel in working pixels.
    """
    start = evenly_spaced(ring)
    normal = _outward(start)
    reach = max(_REACH * network_px, 1.5)
    offsets = np.arange(-np.ceil((reach + _SIDE) / _STEP), np.ceil((reach + _SIDE) / _STEP) + 1) * _STEP
    places = start[:, None] + offsets[None, :, None] * normal[:, None]
    step, clear = _steps(_sampled(lab, places), offsets, reach)
    clear = clear * (1 - np.clip(_sampled(other, places[:, offsets >= 0]).max(axis=(1, 2)), 0, 1))
    clear[_at_frame(start, lab.shape, reach)] = 0.0
    allowed = np.abs(offsets) <= reach
    energy = _energy(step)[:, allowed] * clear[:, None] + _PRIOR * (offsets[allowed] / reach) ** 2
    moves = _cheapest(energy)
    offset = _exact(step, offsets, np.flatnonzero(allowed)[moves]) * clear + offsets[allowed][moves] * (1 - clear)
    offset = ndimage.gaussian_filter1d(np.clip(offset, -reach, reach), 1.5, mode="wrap")
    result = start + offset[:, None] * normal
    if abs(area(result) / area(start) - 1) > _MOST_AREA_CHANGE:
        return Edge(start, clear, False)
    return Edge(result, clear, True)


def evenly_spaced(ring: Polygon, spacing: float = _SPACING) -> Polygon:
    """Return the closed outline with vertices at equal distances along it."""
    closed = np.concatenate([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    number = max(round(along[-1] / spacing), 12)
    wanted = np.arange(number) * along[-1] / number
    return np.stack([np.interp(wanted, along, closed[:, axis]) for axis in (0, 1)], -1)


def _outward(ring: Polygon) -> Polygon:
    smooth = ndimage.gaussian_filter1d(ring, 2.0, axis=0, mode="wrap")
    tangent = np.roll(smooth, -1, axis=0) - np.roll(smooth, 1, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1) * np.sign(area(ring))
    unit: Polygon = normal / np.maximum(np.hypot(normal[:, :1], normal[:, 1:]), 1e-9)
    return unit


def _sampled(field: NDArray[np.float32], places: Floats) -> Floats:
    """Values at places (K, T, 2), as (K, T, channels)."""
    across, down = places[..., 0].astype(np.float32), places[..., 1].astype(np.float32)
    found = cv2.remap(field, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float64).reshape(*places.shape[:2], -1)


def _at_frame(ring: Polygon, shape: tuple[int, ...], reach: float) -> NDArray[np.bool_]:
    low, high = ring.min(axis=1), (np.array([shape[1], shape[0]]) - 1 - ring).min(axis=1)
    near: NDArray[np.bool_] = np.minimum(low, high) < reach
    return near


def _steps(colours: Floats, offsets: Floats, reach: float) -> tuple[Floats, Floats]:
    """Where each colour lies between the outside (0) and the inside (1), (K, T); how far apart these are, 0..1."""
    weighted = colours * np.array([_LIGHTNESS, 1.0, 1.0])
    inside = _along(weighted[:, offsets <= -reach].mean(axis=1))
    outside = _along(weighted[:, offsets >= reach].mean(axis=1))
    difference = inside - outside
    square = (difference**2).sum(axis=1)
    step = ((weighted - outside[:, None]) * difference[:, None]).sum(axis=2) / np.maximum(square, 1e-6)[:, None]
    return np.clip(step, -0.5, 1.5), square / (square + _FAINT**2)


def _along(values: Floats) -> Floats:
    smooth: Floats = ndimage.gaussian_filter1d(values, 2.0, axis=0, mode="wrap")
    return smooth


def _energy(step: Floats) -> Floats:
    """Cost of an edge at each place: what lies inside should be 1, what lies outside 0 (Chan & Vese 2001)."""
    inside, outside = (1 - step) ** 2 * _STEP, step**2 * _STEP
    before = np.cumsum(inside, axis=1) - inside / 2
    after = np.cumsum(outside[:, ::-1], axis=1)[:, ::-1] - outside / 2
    return before + after


def _cheapest(energy: Floats) -> NDArray[np.intp]:
    """Cheapest closed path round the outline, at most one step up or down from vertex to vertex."""
    number, places = energy.shape
    lap = np.concatenate([np.arange(number), np.arange(min(number, 60))])
    bend = _BEND * _STEP
    # One column more on either side, never cheapest, so that every place has two neighbours.
    costs = np.full((len(lap), places + 2), np.inf)
    costs[0, 1:-1] = energy[0]
    for index in range(1, len(lap)):
        before = costs[index - 1]
        cheapest = np.minimum(before[:-2], before[2:])
        cheapest += bend
        np.minimum(cheapest, before[1:-1], out=cheapest)
        np.add(cheapest, energy[lap[index]], out=costs[index, 1:-1])
    path = np.zeros(len(lap), np.intp)
    path[-1] = int(costs[-1, 1:-1].argmin())
    here, walked = int(path[-1]), costs.tolist()
    for index in range(len(lap) - 1, 0, -1):
        below, level, above = walked[index - 1][here : here + 3]
        below, above = below + bend, above + bend
        if below <= level and below <= above:
            here -= 1
        elif above < level:
            here += 1
        path[index - 1] = here
    overlap = len(lap) - number
    # The first vertices are taken from the second time round, when the path has settled.
    return np.concatenate([path[number:], path[overlap:number]])


def _exact(step: Floats, offsets: Floats, chosen: NDArray[np.intp]) -> Floats:
    """Where the step crosses one half, within one place of the chosen one."""
    rows = np.arange(len(chosen))
    low, high = np.maximum(chosen - 1, 0), np.minimum(chosen + 1, len(offsets) - 1)
    before, after = step[rows, low], step[rows, high]
    fall = before - after
    fraction = np.where(fall > 0.05, (before - 0.5) / np.maximum(fall, 0.05), 0.5)
    exact: Floats = offsets[low] + np.clip(fraction, 0, 1) * (offsets[high] - offsets[low])
    return exact
