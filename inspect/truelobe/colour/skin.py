"""Which pixels of a pepper speak for its skin, and how much skin each stands for.

The outermost pixels mix with the background and mirror the room; their skin is real, so its area goes to the
nearest skin that can be read. Highlights and blemishes are told by light: a pixel on the line from unripe to ripe
splits into skin light (its color) and white light (gloss, or pale tissue). Skin seen at the same angle carries
about the same white light; a highlight, a scar or bleached skin carries far more. A brown spot reflects far less
skin light than the skin around it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour.ripeness import RipenessScale, SkinColour, luminance

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]
Int64 = NDArray[np.int64]

RIM_PX: Final = 1.3
"""So close to the outline a pixel is partly background."""

RIM_PHOTO_PX: Final = 2.5
"""The same in pixels of the photo: sharpening and the coarser color of JPEG reach that far."""

GRAZING: Final = 0.28
"""Below this cosine to the camera skin mirrors its surroundings (Fresnel: a fifth of their light and more): its
area counts, its color is the neighbor's."""

STEEPEST: Final = 0.03
"""The area of a pixel is capped as if seen at this cosine; 3 % of a ball's visible skin lies beyond."""

TOO_DARK: Final = 10.0
"""Below this L* two byte steps in a channel, what JPEG rounds away there, change its light by a fifth or more."""

_WHITE_OVER: Final = 1.2
_LEAST_PURITY: Final = 0.12
_LEAST_CHROMA: Final = 5.0
_OFF_LINE: Final = 0.95
_DARK_SPOT: Final = 0.5
_GREEN_UP_TO: Final = 0.12
_LARGEST_SPOT_MM2: Final = 150.0
_SOUND_AROUND: Final = 0.75
_MIRROR: Final = 0.45
_MOST_DIMMED: Final = 0.15
_NEIGHBOURHOOD: Final = 0.12
_LARGEST_SPECK: Final = 4
_RINGS: Final = 24
_RING_PIXELS: Final = 8_000
"""Enough to tell the usual gloss from: over 300 pixels a ring, whose median more would hardly move."""


@dataclass(frozen=True)
class Area:
    """Skin area, gathered where color can be read.

    Attributes
    ----------
    read : bool (h, w)
        Pixels whose color is read.
    weight : float32 (h, w)
        mm2 of skin that each of them stands for, its share of the rim included; 0 elsewhere.
    nearest : int64 (h, w)
        Flat index of the read pixel that speaks for each pixel.
    """

    read: Bool
    weight: Float32
    nearest: Int64


def readable(mask: Bool, facing: Float32, rim_px: float) -> Bool:
    """Return the pixels whose color can be read: off the rim, not at a grazing angle.

    Parameters
    ----------
    mask : bool (h, w)
        Skin: body without calyx and stem.
    facing : float32 (h, w)
    rim_px : float
        Width of the rim that is not read.
    """
    padded = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 3)[1:-1, 1:-1]
    inside = mask & (depth > rim_px)
    steep = inside & (facing > GRAZING)
    return np.asarray(steep if steep.any() else inside if inside.any() else mask, dtype=np.bool_)


def gather_area(mask: Bool, read: Bool, skin_mm2: Float32, facing: Float32) -> Area:
    """Give each read pixel its own skin and the unread skin nearest to it.

    Parameters
    ----------
    mask, read : bool (h, w)
        All skin, and the part of it that is read.
    skin_mm2, facing : float32 (h, w)
    """
    if not read.any():
        return Area(read, np.zeros(mask.shape, np.float32), np.arange(mask.size).reshape(mask.shape))
    _, label = cv2.distanceTransformWithLabels(
        (~read).astype(np.uint8), cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    place = np.zeros(int(label.max()) + 1, dtype=np.int64)
    place[label[read]] = np.flatnonzero(read)
    nearest = place[label]
    known = mask & np.isfinite(skin_mm2) & np.isfinite(facing)
    cap = np.minimum(np.maximum(facing[known], 0) / STEEPEST, 1)
    weight = np.bincount(nearest[known], weights=np.maximum(skin_mm2[known] * cap, 0), minlength=mask.size)
    return Area(read, weight.reshape(mask.shape).astype(np.float32), nearest)


@dataclass(frozen=True)
class Skin:
    """What each readable pixel is.

    Attributes
    ----------
    sound : bool (h, w)
        Skin whose color is read.
    marked : bool (h, w)
        Highlight, scar, bleached skin or brown spot: left out of both sides.
    unread : bool (h, w)
        Too dark to tell, or seen so slantwise that it mirrors the room: its area counts, the nearest sound skin
        speaks for it.
    dimming : float32 (h, w)
        Skin light over what it would be on the line from unripe to ripe under the light around; 1 where unknown.
    """

    sound: Bool
    marked: Bool
    unread: Bool
    dimming: Float32


def read_skin(
    lab: Float32, seen: SkinColour, read: Bool, skin_mm2: Float32, facing: Float32, scale: RipenessScale
) -> Skin:
    """Tell sound skin from highlights and blemishes.

    Parameters
    ----------
    lab : float32 (h, w, 3)
    seen : SkinColour (h, w)
    read : bool (h, w)
        Readable skin.
    skin_mm2, facing : float32 (h, w)
    scale : RipenessScale
    """
    dark = read & (lab[..., 0] < TOO_DARK)
    usable = read & ~dark
    if not usable.any():
        return Skin(usable, np.zeros_like(usable), dark, np.ones(usable.shape, np.float32))
    placed = scale.place(seen)
    light = luminance(lab[..., 0])
    white, shading = light * (1 - placed.purity), light * placed.purity / placed.line_light
    size = max(3.0, _NEIGHBOURHOOD * float(np.sqrt(usable.sum())))
    off_line = np.abs(placed.position - 0.5) > _OFF_LINE
    at_an_end = usable & (np.abs(placed.position - 0.5) > 0.35) & ~off_line & (placed.purity > 0.5)
    shading_around = _around(shading, at_an_end if at_an_end.any() else usable, size)
    usual = _usual_white(white, facing, usable)
    allowed = 1.5 * usual + _WHITE_OVER * shading_around * scale.middle_light
    faint = (placed.purity < _LEAST_PURITY) | (np.hypot(lab[..., 1], lab[..., 2]) < _LEAST_CHROMA)
    faint |= off_line & (placed.purity < 0.5)
    bright = light > _around(light, usable, size)
    dark |= usable & faint & ~bright
    usable &= ~dark
    pale = _of_size(usable & ((white > allowed) | faint), _LARGEST_SPECK, np.inf)
    not_green = placed.position > _GREEN_UP_TO
    spot = usable & ~pale & not_green & (shading < _DARK_SPOT * shading_around)
    millimetres = float(np.median(skin_mm2[usable] * np.maximum(facing[usable], GRAZING)))
    spot = _alone(
        _of_size(spot, _LARGEST_SPECK, _LARGEST_SPOT_MM2 / max(millimetres, 1e-6)),
        usable,
        placed.ripeness,
        shading > _SOUND_AROUND * shading_around,
    )
    marked = usable & _grown(pale | spot)
    mirror = marked & (facing < _MIRROR)
    dimming = np.clip(_smooth(shading) / np.maximum(shading_around, 1e-4), _MOST_DIMMED, 1).astype(np.float32)
    return Skin(usable & ~marked, marked & ~mirror, dark | mirror, dimming)


def _smooth(values: Float32) -> Float32:
    return np.asarray(cv2.blur(values, (3, 3)), dtype=np.float32)


def _alone(spots: Bool, usable: Bool, ripeness: Float32, light: Bool) -> Bool:
    """Keep spots with a sharp edge in skin of one kind: skin that turns is as brown, but fades into the rest.

    A little way off a spot most skin is as light as usual, and all green or all colored.
    """
    count, labels = cv2.connectedComponents(spots.astype(np.uint8), connectivity=8)
    if count == 1:
        return spots
    own = labels.astype(np.float32)
    wide = cv2.dilate(own, np.ones((13, 13), np.uint8))
    around = np.flatnonzero((wide > 0) & (cv2.dilate(own, np.ones((5, 5), np.uint8)) == 0) & usable)
    ring, ripe_there = wide.ravel()[around].astype(np.int32), ripeness.ravel()[around]
    total = np.maximum(np.bincount(ring, minlength=count), 1)
    green, ripe, clear = (
        np.bincount(ring, weights=kind, minlength=count) / total
        for kind in (ripe_there < 0.4, ripe_there > 0.6, light.ravel()[around])
    )
    keep = (np.minimum(green, ripe) < 0.15) & (clear > 0.7)
    keep[0] = False
    return np.asarray(keep[labels], dtype=np.bool_)


def _usual_white(white: Float32, facing: Float32, usable: Bool) -> Float32:
    """White light that skin at the same angle to the camera carries: the room mirrored in it."""
    some = evenly_spread(usable, _RING_PIXELS)
    order = np.argsort(facing.ravel()[some])
    at, value = facing.ravel()[some][order], white.ravel()[some][order]
    rings = np.array_split(np.arange(len(at)), max(1, min(_RINGS, len(at) // 20)))
    middle = [_middle(at[ring]) for ring in rings]
    usual = [_middle(np.sort(value[ring])) for ring in rings]
    return np.asarray(np.interp(facing, middle, usual), dtype=np.float32)


def evenly_spread(mask: Bool, enough: int) -> NDArray[np.intp]:
    """Return flat indices of a mask's pixels: all, or of many every so many that at least `enough` are left."""
    pixels = np.flatnonzero(mask)
    return pixels[:: max(1, len(pixels) // enough)]


def _middle(ordered: Float32) -> float:
    """Median of ordered values."""
    return float(np.mean(ordered[(len(ordered) - 1) // 2 : len(ordered) // 2 + 1]))


def _around(values: Float32, mask: Bool, size: float) -> Float32:
    """Mean of the masked values in a Gaussian neighbourhood of that size, in pixels."""
    inside = mask.astype(np.float32)
    quarter = (max(1, mask.shape[1] // 4), max(1, mask.shape[0] // 4))
    both = [
        cv2.GaussianBlur(cv2.resize(layer, quarter, interpolation=cv2.INTER_AREA), (0, 0), max(size / 4, 0.8))
        for layer in (np.where(mask, values, np.float32(0)), inside)
    ]
    ratio = np.asarray(both[0] / np.maximum(both[1], 1e-3), dtype=np.float32)
    full = cv2.resize(ratio, (mask.shape[1], mask.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32)


def _grown(mask: Bool) -> Bool:
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0, dtype=np.bool_)


def _of_size(mask: Bool, above: float, below: float) -> Bool:
    """Keep connected groups with more pixels than `above` and fewer than `below`."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    pixels = stats[:, cv2.CC_STAT_AREA]
    keep = (pixels > above) & (pixels < below)
    keep[0] = False
    return np.asarray(keep[labels] if count > 1 else np.zeros_like(mask), dtype=np.bool_)
