"""Read the printed patches at full resolution."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.card import faults
from truelobe.card.layout import CardLayout, Patch
from truelobe.card.nominal import lab_to_linear_srgb
from truelobe.card.plane import Plane
from truelobe.card.sampling import sample
from truelobe.card.sighting import PatchReading
from truelobe.messages import Message
from truelobe.photo import Photo, linear

_INNER = 0.62  # share of a patch's sides that is read: blur and a half-millimetre cut stay outside
_FEWEST_PIXELS = 12
_MOST_PIXELS = 1600  # more lower the noise of the mean no further
_DARK, _BRIGHT = 1, 254  # bytes that may hide more
_CLIPPED_SHARE = 0.02
_UNEVEN = 0.18  # between quarters of one patch; the slope of a near lamp gives 0.02
_GAP_MM = 0.6  # half the narrowest gap between patches
_BLURRED_MM = 0.6
_PAPER = 0.68  # of the paper's byte: 43 % of its light; the shadow of a hand leaves more
_COLOURLESS = 0.25  # of the nominal colourfulness; a weak print in poor light keeps more than half


def read_patches(
    photo: Photo, grey: NDArray[np.uint8], layout: CardLayout, plane: Plane, blur_mm: float
) -> tuple[tuple[PatchReading, ...], tuple[Message, ...]]:
    """Read every patch that lies in the picture, is evenly one colour and has white paper around it.

    Parameters
    ----------
    photo : Photo
    grey : ndarray of uint8, shape (H, W)
        Its brightness.
    layout : CardLayout
    plane : Plane
    blur_mm : float
        Edge spread on the card: where it fills the gaps between the patches, the paper is not looked for.

    Returns
    -------
    tuple of PatchReading, tuple of Message
        Patches half hidden by a leaf, a finger, a highlight or a shadow's edge are left out and counted.
    """
    readings, left_out = [], 0
    free = _free(grey, layout, plane) if blur_mm < _BLURRED_MM else np.ones(len(layout.patches), bool)
    for patch, is_free in zip(layout.patches, free, strict=True):
        reading = _read(photo, patch, plane) if is_free else None
        if reading is None:
            left_out += 1
        else:
            readings.append(reading)
    return tuple(readings), faults.check_patches(layout, tuple(readings), left_out)


def _free(grey: NDArray[np.uint8], layout: CardLayout, plane: Plane) -> NDArray[np.bool_]:
    """Tell which patches have paper around them: what lies on a patch covers the paper too. Shape (patches,)."""
    boxes = np.array([patch.box_mm for patch in layout.patches])
    share = np.array([-0.3, 0.3])
    along, out = np.repeat(share, 2), np.tile([-1.0, 1.0], 2)
    sides = np.concatenate([np.stack([along, out], axis=-1), np.stack([out, along], axis=-1)])
    beyond = np.abs(sides) == 1
    half = boxes[:, None, 2:] / 2
    points = boxes[:, None, :2] + half + sides * (half + _GAP_MM * beyond)
    around = sample(grey, plane.project(points))
    paper = float(np.percentile(around, 80))
    free: NDArray[np.bool_] = (around > _PAPER * paper).sum(axis=1) >= 6  # of 8; two may be dust or a line
    return free


def _read(photo: Photo, patch: Patch, plane: Plane) -> PatchReading | None:
    width, height = patch.box_mm[2:]
    inner = _INNER / 2 * np.array([[-width, -height], [width, -height], [width, height], [-width, height]])
    quad = plane.project(np.asarray(patch.centre_mm) + inner)
    low, high = np.ceil(quad.min(axis=0)).astype(int), np.floor(quad.max(axis=0)).astype(int)
    if (low < 0).any() or (high >= np.array(photo.size_px)).any() or (high <= low).any():
        return None
    part = photo.pixels[low[1] : high[1] + 1, low[0] : high[0] + 1]
    mask = np.zeros(part.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint(16 * (quad - low)).astype(np.int32), 1, shift=4)
    rows, columns = np.nonzero(mask)
    step = max(1, len(rows) // _MOST_PIXELS)
    rows, columns = rows[::step], columns[::step]
    if len(rows) < _FEWEST_PIXELS:
        return None
    raw = part[rows, columns]
    light = linear(raw, photo).astype(float)
    if _uneven(light, rows, columns, mask.shape):
        return None
    kept = _inliers(light)
    middle = plane.project(np.asarray(patch.centre_mm))
    return PatchReading(
        name=patch.name,
        linear=light[kept].mean(axis=0),
        sd=light[kept].std(axis=0, ddof=1),
        pixels=int(kept.sum()),
        clipped=bool((((raw <= _DARK) | (raw >= _BRIGHT)).mean(axis=0) > _CLIPPED_SHARE).any()),
        centre_px=(float(middle[0]), float(middle[1])),
    )


def _inliers(light: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Leave out dust and glints: brightness beyond 3.5 robust standard deviations."""
    value = light.sum(axis=1)
    off = np.abs(value - np.median(value))
    kept: NDArray[np.bool_] = off <= max(3.5 * 1.4826 * float(np.median(off)), 1e-4)
    return kept


def _uneven(
    light: NDArray[np.float64], rows: NDArray[np.intp], columns: NDArray[np.intp], shape: tuple[int, ...]
) -> bool:
    """Compare the quarters of a patch; noise averages out in them."""
    quarter = (rows > shape[0] / 2).astype(int) * 2 + (columns > shape[1] / 2)
    means = np.array([light[quarter == q].mean(axis=0) for q in range(4) if (quarter == q).sum() >= 3])
    spread = np.ptp(means, axis=0) if len(means) else np.zeros(3)
    return bool((spread > _UNEVEN * (light.mean(axis=0).max() + 0.05)).any())


def black_and_white(layout: CardLayout, readings: tuple[PatchReading, ...]) -> bool:
    """Tell whether the colour patches have no colour.

    Notes
    -----
    Log ratios of the channels of the colour patches, relative to those of the greys, are regressed on their
    nominal values: the slope is 1 for a faithful print, 0 for a print or a photo without colour.
    """
    found = {reading.name: np.log(np.maximum(reading.linear, 0.004)) for reading in readings}
    greys = [found[patch.name] for patch in layout.patches if patch.kind == "grey" and patch.name in found]
    colours = [patch for patch in layout.patches if patch.kind == "colour" and patch.name in found]
    if len(greys) < 2 or len(colours) < 4:
        return False
    neutral = _opponents(np.mean(greys, axis=0))
    seen = np.array([_opponents(found[patch.name]) - neutral for patch in colours]).ravel()
    asked = np.array([_opponents(np.log(nominal_linear(patch))) for patch in colours]).ravel()
    return float(seen @ asked / (asked @ asked)) < _COLOURLESS


def _opponents(log_light: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([log_light[0] - log_light[1], log_light[2] - log_light[1]])


def nominal_linear(patch: Patch) -> NDArray[np.float64]:
    """Return the linear sRGB of a patch's nominal colour, shape (3,)."""
    return np.maximum(lab_to_linear_srgb(patch.lab), 0.004)
