"""What a pepper's skin mirrors of what lies around it.

Skin is a smooth, clear layer over color. Towards the rim it mirrors more and more (Fresnel), and what it mirrors
there is the table, cloth or fruit just beyond the outline. White or grey light does no harm, it is gloss (see
`ripeness`); a colored cloth shines into the rim as if the skin had that color. So the colored part of that light,
what exceeds its least channel, is taken off again.

Sources
-------
Schlick, "An inexpensive BRDF model for physically-based rendering", Computer Graphics Forum 13(3), 1994, for the
Fresnel share; 0.04 is that of a layer of refractive index 1.5 seen squarely.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Bool = NDArray[np.bool_]
UInt8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]

SQUARELY: Final = 0.04
LEVEL: Final = (0.55, 0.65)
"""Skin turned less than about 45 degrees away (cosine 0.7) mirrors the room above the table, not the table."""

LEAST_LEFT: Final = 0.15
_NEAR: Final = 0.06
_SHRINK: Final = 4
_FAR_WEIGHT: Final = 1e-3


@dataclass(frozen=True)
class Surroundings:
    """What lies around a pepper, and how strongly each pixel of it mirrors that.

    Attributes
    ----------
    pixels : uint8 (..., 3)
        The photo's bytes of what is mirrored.
    share : float32 (...)
        Share of that light that comes back from the skin.
    """

    pixels: UInt8
    share: Float32

    def at(self, rows: NDArray[np.int64]) -> Surroundings:
        """Return flat pixels by index."""
        return Surroundings(self.pixels.reshape(-1, 3)[rows], self.share.ravel()[rows])

    def taken_off(self, light: Float32, table: Float32) -> Float32:
        """Return light (..., 3), white-balanced, without the colored part of what is mirrored."""
        around = np.asarray(
            cv2.LUT(self.pixels.reshape(1, -1, 3), np.ascontiguousarray(table[None])), dtype=np.float32
        ).reshape(light.shape)
        return self._without(around, light)

    def taken_off_each(self, light: Float32, tables: Float32) -> Float32:
        """Return light (n, P, 3), read through tables (n, 256, 3), without what is mirrored."""
        return self._without(tables[:, self.pixels, np.arange(3)], light)

    def _without(self, around: Float32, light: Float32) -> Float32:
        red, green, blue = (around[..., k] for k in range(3))
        least = np.maximum(np.minimum(np.minimum(red, green), blue), 0)
        coloured = around - least[..., None]
        left = np.maximum(light - self.share[..., None] * coloured, np.float32(LEAST_LEFT) * light)
        return np.asarray(left, dtype=np.float32)


def mirrored(pixels: UInt8, body: Bool, facing: Float32) -> Surroundings | None:
    """Return what a pepper's skin mirrors; None where the box shows nothing but the pepper.

    Parameters
    ----------
    pixels : uint8 (h, w, 3)
    body : bool (h, w)
        The whole pepper, stem included.
    facing : float32 (h, w)
        Cosine of the skin's direction to the camera.
    """
    outside = cv2.dilate(body.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    if not outside.any():
        return None
    height, width = body.shape
    small = (max(1, width // _SHRINK), max(1, height // _SHRINK))
    seen = np.where(outside[..., None], pixels, 0).astype(np.float32)
    near = max(_NEAR * float(np.sqrt(body.sum())) / _SHRINK, 0.8)
    total, weight = np.zeros((small[1], small[0], 3), np.float32), np.full((small[1], small[0]), 1e-9, np.float32)
    layer = cv2.resize(seen, small, interpolation=cv2.INTER_AREA)
    part = cv2.resize(outside.astype(np.float32), small, interpolation=cv2.INTER_AREA)
    for sigma, counts in ((near, 1.0), (5 * near, _FAR_WEIGHT)):
        total += counts * cv2.GaussianBlur(layer, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
        weight += counts * cv2.GaussianBlur(part, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    around = cv2.resize(total / weight[..., None], (width, height), interpolation=cv2.INTER_LINEAR)
    cosine = np.clip(facing, 0, 1)
    share = SQUARELY + (1 - SQUARELY) * (1 - cosine) ** 5
    low, high = LEVEL
    share *= np.clip((high - cosine) / (high - low), 0, 1)
    return Surroundings(np.clip(around, 0, 255).astype(np.uint8), share.astype(np.float32))
