"""Which fruit each pixel belongs to: every pixel votes for the middle of its fruit, and votes gather in heaps."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from truelobe.fruit.network import FruitMaps, probability

Labels = NDArray[np.int32]
Floats = NDArray[np.float64]

_CELL = 4.0
_MARGIN_CELLS = 8
_VOTE_BLUR_CELLS = 1.6
_PEAK_WINDOW_CELLS = 7
_PEAK_FLOOR = 0.6
"""A heap of votes lower than this (blurred votes a cell) is chance."""
_CONTACT_FLOOR = 0.22
"""Two neighbours whose common border the network calls a border with less than this are one fruit."""
_NEAR_PEAKS = 0.35
"""Peaks closer than this times the smaller fruit's radius are one fruit."""
_ASTRAY = 0.4
"""A pixel whose vote misses its heap by more than this times the fruit's radius may show another fruit."""
_MOST_ASTRAY = 0.1
"""A part larger than this share of the fruit stays: rather its own, seen wrongly, than a sliver of one behind."""
_LOOSE_PART = 0.15
SMALLEST_PX = 220
LOWEST_SCORE = 0.72
"""What scores less in the look at the whole photo is not looked at again: on development plates no pepper."""


@dataclass(frozen=True)
class Groups:
    """Fruits at network size.

    Attributes
    ----------
    bodies, stems : ndarray of int32, shape (h, w)
        Number of the fruit whose body (with calyx) or stem a pixel shows, from 1; 0 elsewhere.
    count : int
        How many fruits there are.
    """

    bodies: Labels
    stems: Labels
    count: int


def group(
    maps: FruitMaps, *, threshold: float = 0.5, smallest: int = SMALLEST_PX, lowest_score: float = LOWEST_SCORE
) -> Groups:
    """Part the fruit pixels into fruits.

    Parameters
    ----------
    maps : FruitMaps
    threshold : float
        Probability from which a pixel counts as fruit.
    smallest : int
        Fewest network pixels of a fruit.
    lowest_score : float
        Lowest mean probability of a fruit's pixels.
    """
    chance = probability(maps.fruit)
    rows, columns = _places(chance > threshold)
    bodies: Labels = np.zeros(chance.shape, np.int32)
    if rows.size == 0:
        return Groups(bodies, bodies.copy(), 0)
    votes = _votes(maps, rows, columns)
    peaks = _peaks(votes, chance[rows, columns], chance.shape)
    if len(peaks) == 0:
        return Groups(bodies, bodies.copy(), 0)
    heap = _nearest(votes, peaks)
    miss = np.zeros(chance.shape, np.float32)
    miss[rows, columns] = np.hypot(*(votes - peaks[heap]).T)
    bodies[rows, columns] = heap + 1
    bodies = _severed(_joined(bodies, maps.contact, peaks), miss, maps.contact)
    bodies = _kept(bodies, chance, smallest, lowest_score)
    return Groups(bodies, _stems(maps, bodies), int(bodies.max()))


def centres(bodies: Labels) -> Floats:
    """Return the middle of each labelled body, (n, 2), x first."""
    rows, columns = _places(bodies > 0)
    label, count = bodies[rows, columns], int(bodies.max(initial=0))
    pixels = np.bincount(label, minlength=count + 1)[1:]
    sums = (np.bincount(label, weights=axis, minlength=count + 1)[1:] for axis in (columns, rows))
    return np.stack([total / pixels for total in sums], -1)


def _places(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of a mask's pixels, as `numpy.nonzero` gives them, in half the time."""
    rows, columns = np.divmod(np.flatnonzero(mask), mask.shape[1])
    return rows, columns


def _votes(maps: FruitMaps, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
    votes = np.stack([columns, rows], -1).astype(np.float64) + maps.vector[rows, columns]
    return votes


def _nearest(votes: Floats, places: Floats) -> NDArray[np.intp]:
    """Which of a few places each vote lies nearest to: quicker one by one than by a tree."""
    across, down = np.ascontiguousarray(votes.T)
    best, least = np.zeros(len(votes), np.intp), np.full(len(votes), np.inf)
    for number, (x, y) in enumerate(places):
        distance = (across - x) ** 2 + (down - y) ** 2
        nearer = distance < least
        best[nearer] = number
        np.minimum(least, distance, out=least)
    return best


def _peaks(votes: Floats, weight: NDArray[np.float32], shape: tuple[int, ...]) -> Floats:
    """Tops of the heaps of votes, (n, 2) in network pixels, x first."""
    size = (int(shape[0] / _CELL) + 2 * _MARGIN_CELLS + 1, int(shape[1] / _CELL) + 2 * _MARGIN_CELLS + 1)
    cells = np.clip(np.round(votes / _CELL).astype(int) + _MARGIN_CELLS, 0, (size[1] - 1, size[0] - 1))
    index = cells[:, 1] * size[1] + cells[:, 0]
    heaps = np.bincount(index, weights=weight, minlength=size[0] * size[1]).reshape(size)
    heaps = ndimage.gaussian_filter(heaps, _VOTE_BLUR_CELLS)
    highest = ndimage.maximum_filter(heaps, _PEAK_WINDOW_CELLS)
    tops = np.argwhere((heaps == highest) & (heaps > _PEAK_FLOOR))
    found = (tops[:, ::-1] - _MARGIN_CELLS).astype(np.float64) * _CELL
    return found


def _joined(bodies: Labels, contact: NDArray[np.float32], peaks: Floats) -> Labels:
    """Join neighbours between which the network sees no border, and twins of one heap."""
    areas = np.bincount(bodies.ravel(), minlength=len(peaks) + 1)
    parent = np.arange(len(peaks) + 1)
    for (first, second), strength in _borders(bodies, contact).items():
        radius = np.sqrt(min(areas[first], areas[second]) / np.pi)
        near = np.hypot(*(peaks[first - 1] - peaks[second - 1])) < _NEAR_PEAKS * radius
        if strength < _CONTACT_FLOOR or near:
            parent[parent == parent[second]] = parent[first]
    joined: Labels = parent[bodies].astype(np.int32)
    return joined


def _severed(bodies: Labels, miss: NDArray[np.float32], contact: NDArray[np.float32]) -> Labels:
    """Take off small parts that vote for another middle, beyond a border: fruits behind, seen through the gaps."""
    count, areas = int(bodies.max()), np.bincount(bodies.ravel())
    astray = (miss > _ASTRAY * np.sqrt(areas / np.pi)[bodies]) & (bodies > 0)
    # A line along a border votes for something between its two sides, and is the outline's own.
    thick = cv2.morphologyEx(astray.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    parts, number = ndimage.label(thick)
    if number == 0:
        return bodies
    shared = np.bincount((bodies * (number + 1) + parts).ravel(), minlength=(count + 1) * (number + 1))
    small = shared.reshape(count + 1, number + 1) <= _MOST_ASTRAY * areas[:, None]
    beyond = np.zeros_like(small)
    for (fruit, part), strength in _borders(np.where(parts > 0, count + parts, bodies), contact).items():
        if fruit <= count < part:
            beyond[fruit, part - count] = strength >= _CONTACT_FLOOR
    severed: Labels = np.where((beyond & small)[bodies, parts], 0, bodies).astype(np.int32)
    return severed


def _borders(bodies: Labels, contact: NDArray[np.float32]) -> dict[tuple[int, int], float]:
    """Mean contact probability along the border of each pair of neighbours."""
    pairs: list[NDArray[np.int32]] = []
    strengths: list[NDArray[np.float32]] = []
    strongest = np.asarray(cv2.dilate(contact, np.ones((3, 3), np.uint8)), np.float32)
    for here, there in (
        ((slice(None), slice(None, -1)), (slice(None), slice(1, None))),
        ((slice(None, -1), slice(None)), (slice(1, None), slice(None))),
    ):
        first, second = bodies[here], bodies[there]
        border = (first != second) & (first > 0) & (second > 0)
        pairs.append(np.sort(np.stack([first[border], second[border]], -1), axis=1))
        strengths.append(np.maximum(strongest[here][border], strongest[there][border]))
    both, strength = np.concatenate(pairs), np.concatenate(strengths)
    if len(both) == 0:
        return {}
    names, which = np.unique(both, axis=0, return_inverse=True)
    sums = np.bincount(which.ravel(), weights=strength) / np.bincount(which.ravel())
    return {(int(first), int(second)): float(mean) for (first, second), mean in zip(names, sums, strict=True)}


def _kept(bodies: Labels, chance: NDArray[np.float32], smallest: int, lowest_score: float) -> Labels:
    """Drop loose parts, small things and unlikely ones; number the rest without gaps."""
    kept: Labels = np.zeros_like(bodies)
    number = 0
    boxes = ndimage.find_objects(bodies)
    for label in np.flatnonzero(np.bincount(bodies.ravel())[1:]) + 1:
        box = boxes[label - 1]
        own = bodies[box] == label
        parts, count = ndimage.label(own)
        if count > 1:
            sizes = np.bincount(parts.ravel())
            sizes[0] = 0
            own = (sizes >= _LOOSE_PART * own.sum())[parts]
        if own.sum() < smallest or chance[box][own].mean() < lowest_score:
            continue
        number += 1
        kept[box][own] = number
    return kept


def _stems(maps: FruitMaps, bodies: Labels) -> Labels:
    """Give each stem pixel to the fruit it votes for."""
    stems: Labels = np.zeros_like(bodies)
    middles = centres(bodies)
    rows, columns = _places((maps.stem > 0) & (bodies == 0))
    if rows.size == 0 or len(middles) == 0:
        return stems
    stems[rows, columns] = _nearest(_votes(maps, rows, columns), middles) + 1
    return stems
