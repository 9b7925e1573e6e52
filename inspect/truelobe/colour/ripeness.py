"""How ripe each spot of skin is, whatever light falls on it.

Two things stand between a pixel and the color of the skin under it. *Shading* multiplies its light, so the ratios
X/Y and Z/Y do not change. *Gloss* adds white light, so the point (X/Y - 1, 1 - Z/Y) moves straight toward zero
and its direction does not change. That direction, the **skin angle**, is therefore the skin's own; unlike the
CIELAB hue angle it is exact under both. The length, the **strength**, tells how much gloss or grey is mixed in.

Ripeness runs along the straight line in CIELAB from the unripe to the ripe reference: 0 and 1 at its ends, 0.5
where the skin is equally far from both in a*, b*. A pixel's place is where the line has the pixel's skin angle.
Skin stronger in color than the line (gloss cannot do that) is placed by its own a*, b*.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

_STEPS: Final = np.linspace(-0.6, 1.6, 111)
_MOST_OVER: Final = 1.4


@dataclass(frozen=True)
class SkinColour:
    """The part of a color that shading and gloss leave alone, and the part that gloss weakens.

    Attributes
    ----------
    angle : float32 (...)
        Skin angle in degrees, -90 to 270: about 45 for red, 65 for orange, 88 for yellow, 115 for green.
    strength : float32 (...)
        0 is grey; full red skin is above 1.
    """

    angle: Float32
    strength: Float32


def skin_colour(lab: ArrayLike) -> SkinColour:
    """Return skin angle and strength for CIELAB (..., 3).

    Notes
    -----
    X/Y and Z/Y come from the cube-root part of CIELAB: (1 + a / (500 fy))**3 and (1 - b / (200 fy))**3, where
    fy = (L + 16) / 116.
    """
    value = np.asarray(lab, dtype=np.float32)
    fy = np.maximum(value[..., 0] + 16, 1) / np.float32(116)
    x = 1 + value[..., 1] / (500 * fy)
    z = 1 - value[..., 2] / (200 * fy)
    first, second = x * x * x - 1, 1 - z * z * z
    angle = np.degrees(np.arctan2(second, first))
    angle = np.where(angle < -90, angle + 360, angle)
    return SkinColour(angle.astype(np.float32), np.hypot(first, second).astype(np.float32))


@dataclass(frozen=True)
class RipenessScale:
    """The line from one unripe to one ripe color, ready to place pixels on.

    Attributes
    ----------
    unripe, ripe : float64 (3,)
        CIELAB.
    """

    unripe: Float64
    ripe: Float64

    def place(self, lab: ArrayLike) -> tuple[Float32, Float32]:
        """Return ripeness (...) in 0..1 and strength relative to the line's (...), for CIELAB (..., 3)."""
        angle, strength, along, lightness = self._table
        skin = skin_colour(lab)
        order = np.argsort(angle)
        spot = np.interp(skin.angle, angle[order], _STEPS[order])
        relative = skin.strength / np.interp(spot, _STEPS, strength)
        over = np.clip(self._chroma_ratio(lab, spot, lightness), 1, _MOST_OVER)
        step = self.ripe[1:] - self.unripe[1:]
        ripeness = (over * np.interp(spot, _STEPS, along) - self.unripe[1:] @ step) / (step @ step)
        return np.clip(ripeness, 0, 1).astype(np.float32), relative.astype(np.float32)

    def _chroma_ratio(self, lab: ArrayLike, spot: Float64, lightness: Float64) -> Float64:
        """How much stronger a*, b* are, shading out, than the line's at the same place."""
        value = np.asarray(lab, dtype=np.float32)
        seen = np.hypot(value[..., 1], value[..., 2]) / np.maximum(value[..., 0] + 16, 1)
        line = np.hypot(*(self._line[:, 1:].T)) / (lightness + 16)
        return np.asarray(seen / np.interp(spot, _STEPS, line), dtype=np.float64)

    @property
    def _line(self) -> Float64:
        return np.asarray(self.unripe + _STEPS[:, None] * (self.ripe - self.unripe), dtype=np.float64)

    @property
    def _table(self) -> tuple[Float64, Float64, Float64, Float64]:
        line = self._line
        skin = skin_colour(line)
        along = line[:, 1:] @ (self.ripe[1:] - self.unripe[1:])
        return skin.angle.astype(np.float64), skin.strength.astype(np.float64), along, line[:, 0]
