"""Which pixels of a pepper speak for its skin: highlights, blemishes, dark and grazing spots set apart.

All tests are relative to the skin around a pixel, so that a pepper under strong gloss, or a dull one, is not
declared one big highlight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]

GRAZING: Final = 0.2
"""Below this cosine to the camera the shape decides more than the photo: such skin counts as if seen at it."""

TOO_DARK: Final = 6.0
"""Below this L* a byte's step is larger than the difference between red and green skin."""

_HIGHLIGHT: Final = 0.55
_BLEMISH: Final = 0.62
_DARK_SPOT: Final = 0.50
_NEIGHBOURHOOD: Final = 0.12
_LARGEST_SPECK: Final = 4


@dataclass(frozen=True)
class Skin:
    """What each pixel is.

    Attributes
    ----------
    sound : bool (h, w)
        Skin whose color can be read.
    highlight, blemish, dark : bool (h, w)
        Left out, and why.
    weight : float32 (h, w)
        mm2 of skin that a pixel stands for, grazing skin capped; 0 off the skin.
    """

    sound: Bool
    highlight: Bool
    blemish: Bool
    dark: Bool
    weight: Float32

    @property
    def left_out(self) -> Bool:
        """All skin whose color is not read."""
        return np.asarray(self.highlight | self.blemish | self.dark, dtype=np.bool_)


def skin_weight(mask: Bool, skin_mm2: Float32, facing: Float32) -> Float32:
    """Return mm2 per pixel inside the mask, skin seen at a grazing angle capped."""
    cap = np.minimum(np.maximum(facing, 0) / GRAZING, 1)
    weight = np.where(mask & np.isfinite(skin_mm2) & np.isfinite(facing), skin_mm2 * cap, 0)
    return np.asarray(np.maximum(weight, 0), dtype=np.float32)


def read_skin(mask: Bool, lightness: Float32, relative_strength: Float32, weight: Float32) -> Skin:
    """Tell sound skin from highlights and blemishes.

    Parameters
    ----------
    mask : bool (h, w)
        Body without calyx and stem.
    lightness : float32 (h, w)
        Corrected L*.
    relative_strength : float32 (h, w)
        Color strength against the line from unripe to ripe; 1 is pure skin.
    weight : float32 (h, w)
    """
    size = max(3.0, _NEIGHBOURHOOD * float(np.sqrt(max(int(mask.sum()), 1))))
    light = _luminance(lightness)
    dark = mask & (lightness < TOO_DARK)
    usable = mask & ~dark
    typical = float(np.median(relative_strength[usable])) if usable.any() else 1.0
    strength_around = np.maximum(_around(relative_strength, usable, size), 0.8 * typical)
    light_around = _around(light, usable, size)
    weak = relative_strength / np.maximum(strength_around, 1e-3)
    brighter = light > 1.05 * light_around
    highlight = usable & (weak < _HIGHLIGHT) & brighter
    highlight |= usable & (_grown(highlight, 2) & (weak < 0.8) & brighter)
    blemish = usable & ~highlight & (weak < _BLEMISH)
    blemish |= usable & ~highlight & (light < _DARK_SPOT * light_around) & (weak < 0.85)
    blemish = _without_specks(blemish)
    blemish = usable & _grown(blemish, 1) & ~highlight
    sound = usable & ~highlight & ~blemish
    return Skin(sound, highlight, blemish, dark, weight)


def _luminance(lightness: Float32) -> Float32:
    return np.asarray(((np.maximum(lightness, 0) + 16) / 116) ** 3, dtype=np.float32)


def _around(values: Float32, mask: Bool, size: float) -> Float32:
    """Mean of the masked values in a Gaussian neighbourhood of that size, in pixels."""
    inside = mask.astype(np.float32)
    total = cv2.GaussianBlur(
        np.where(mask, values, 0).astype(np.float32), (0, 0), size, borderType=cv2.BORDER_CONSTANT
    )
    count = cv2.GaussianBlur(inside, (0, 0), size, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(total / np.maximum(count, 1e-3), dtype=np.float32)


def _grown(mask: Bool, pixels: int) -> Bool:
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * pixels + 1, 2 * pixels + 1))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), disc) > 0, dtype=np.bool_)


def _without_specks(mask: Bool) -> Bool:
    """Drop connected groups of at most a few pixels: noise, not marks on the skin."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    keep = stats[:, cv2.CC_STAT_AREA] > _LARGEST_SPECK
    keep[0] = False
    return np.asarray(keep[labels] if count > 1 else np.zeros_like(mask), dtype=np.bool_)
