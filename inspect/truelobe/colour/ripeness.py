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
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

_STEPS: Final = np.linspace(-0.6, 1.6, 111)
_PER_DEGREE: Final = 4
_ANGLES: Final = np.arange(360 * _PER_DEGREE + 1) / _PER_DEGREE - 90
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
    X, Y and Z come from CIELAB by its inverse, the straight part near black included.
    """
    value = np.asarray(lab, dtype=np.float32)
    fy = (value[..., 0] + 16) / np.float32(116)
    y = np.maximum(_light(fy), np.float32(1e-4))
    first = _light(fy + value[..., 1] / np.float32(500)) / y - 1
    second = 1 - _light(fy - value[..., 2] / np.float32(200)) / y
    angle = np.degrees(np.arctan2(second, first))
    angle = np.where(angle < -90, angle + 360, angle)
    return SkinColour(angle.astype(np.float32), np.hypot(first, second).astype(np.float32))


def luminance(lightness: ArrayLike) -> Float32:
    """Return Y, 1 is white, for L*."""
    raised = np.maximum(np.asarray(lightness, dtype=np.float32), 0) + np.float32(16)
    return _light(np.asarray(raised / np.float32(116), dtype=np.float32))


def _light(f: Float32) -> Float32:
    """Undo CIELAB's curve: f(t) back to t (CIE 15)."""
    straight = (116 * f - 16) * np.float32(27 / 24389)
    return np.asarray(np.where(f > np.float32(6 / 29), f * f * f, straight), dtype=np.float32)


@dataclass(frozen=True)
class Placed:
    """Pixels on the line from unripe to ripe, taken apart.

    Attributes
    ----------
    ripeness : float32 (...)
        0..1.
    position : float32 (...)
        Where the line has the pixel's skin angle; runs beyond 0 and 1.
    purity : float32 (...)
        Share of the pixel's light that is the skin's color, 0..1; the rest is gloss, or the skin is not sound.
    line_light : float32 (...)
        Y of the line at that place: what sound skin would reflect.
    """

    ripeness: Float32
    position: Float32
    purity: Float32
    line_light: Float32


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

    def place(self, lab: ArrayLike, dimming: ArrayLike = 1.0) -> Placed:
        """Place pixels on the line.

        Parameters
        ----------
        lab : array_like (..., 3)
            CIELAB.
        dimming : array_like (...)
            Skin that is turning is darker than either end, and its a*, b* are smaller for it. The light of the
            skin over that of a straight line, where the surroundings tell; 1 where they do not.
        """
        value = np.asarray(lab, dtype=np.float32)
        skin = skin_colour(value)
        at = self._by_angle[:, ((skin.angle + 90) * _PER_DEGREE + 0.5).astype(np.int32)]
        along, strength, chroma, light, position = at
        seen = np.hypot(value[..., 1], value[..., 2]) / np.maximum(value[..., 0] + 16, 1)
        turning = np.clip(5 * position * (1 - position), 0, 1)
        dimmed = 1 - turning * (1 - np.cbrt(np.asarray(dimming, dtype=np.float32)))
        over = np.clip(seen / chroma, 1, _MOST_OVER) * dimmed
        step = (self.ripe - self.unripe)[1:]
        start, length = np.float32(self.unripe[1:] @ step), np.float32(step @ step + 1e-6)
        ripeness = np.clip((over * along - start) / length, 0, 1)
        return Placed(ripeness, position, np.clip(skin.strength / strength, 0, 1), light)

    @property
    def middle_light(self) -> float:
        """Y halfway between unripe and ripe skin (geometric mean)."""
        return float(np.sqrt(luminance(self.unripe[0]) * luminance(self.ripe[0])))

    @cached_property
    def _by_angle(self) -> Float32:
        """Rows over skin angle: a*, b* along the line, strength, chroma per (L + 16), Y, position."""
        step = self.ripe - self.unripe
        angle = skin_colour(self._at(_STEPS)).angle
        order = np.argsort(angle)
        position = np.interp(_ANGLES, angle[order], _STEPS[order])
        line = self._at(position)
        chroma = np.maximum(np.hypot(line[:, 1], line[:, 2]) / (line[:, 0] + 16), 1e-3)
        strength = np.maximum(skin_colour(line).strength, 1e-3)
        rows = (line[:, 1:] @ step[1:], strength, chroma, luminance(line[:, 0]), position)
        return np.asarray(rows, dtype=np.float32)

    def _at(self, position: Float64) -> Float64:
        """CIELAB (N, 3) of the line at positions (N,)."""
        line = self.unripe + position[:, None] * (self.ripe - self.unripe)
        line[:, 0] = np.maximum(line[:, 0], 1)
        return np.asarray(line, dtype=np.float64)
