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
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

_STEPS: Final = np.linspace(-0.6, 1.6, 111)
_PER_DEGREE: Final = 4
_ANGLES: Final = np.arange(360 * _PER_DEGREE + 1) / _PER_DEGREE - 90
"""Skin angles whose places are worked out once for each line. Looking up between them moves a place by less than
half a hundredth; searching for each pixel's took six times as long on one line, a third longer on many."""

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
    chroma : float32 (...)
        C* over (L* + 16): shading hardly moves it.
    """

    angle: Float32
    strength: Float32
    chroma: Float32

    def at(self, where: NDArray[Any]) -> SkinColour:
        """Return the pixels at a mask or an index."""
        return SkinColour(self.angle[where], self.strength[where], self.chroma[where])

    def flat(self) -> SkinColour:
        """Return the pixels in one row."""
        return SkinColour(self.angle.ravel(), self.strength.ravel(), self.chroma.ravel())


def skin_colour(lab: ArrayLike) -> SkinColour:
    """Return skin angle and strength for CIELAB (..., 3).

    Notes
    -----
    X, Y and Z come from CIELAB by its inverse, the straight part near black included.
    """
    lightness, a, b = np.moveaxis(np.asarray(lab, dtype=np.float32), -1, 0)
    fy = (lightness + 16) / np.float32(116)
    y = np.maximum(_light(fy), np.float32(1e-4))
    first = _light(fy + a / np.float32(500)) / y - 1
    second = 1 - _light(fy - b / np.float32(200)) / y
    angle = np.degrees(np.arctan2(second, first))
    angle = np.where(angle < -90, angle + 360, angle)
    chroma = np.sqrt(a * a + b * b) / np.maximum(lightness + 16, 1)
    return SkinColour(angle.astype(np.float32), np.sqrt(first * first + second * second), chroma)


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

    def place(self, skin: SkinColour, dimming: ArrayLike = 1.0) -> Placed:
        """Place pixels on the line.

        Parameters
        ----------
        skin : SkinColour
        dimming : array_like (...)
            Skin that is turning is darker than either end, and its a*, b* are smaller for it. The light of the
            skin over that of a straight line, where the surroundings tell; 1 where they do not.
        """
        turn = ((skin.angle + 90) * _PER_DEGREE + 0.5).astype(np.int32)
        position, strength, light = (row[turn] for row in self._by_angle)
        ripeness = _ripeness(position, skin.chroma, np.asarray(dimming, np.float32), self.unripe, self.ripe)
        return Placed(
            ripeness.reshape(np.shape(position)), position, np.clip(skin.strength / strength, 0, 1), light
        )

    @property
    def middle_light(self) -> float:
        """Y halfway between unripe and ripe skin (geometric mean)."""
        return float(np.sqrt(luminance(self.unripe[0]) * luminance(self.ripe[0])))

    @cached_property
    def _by_angle(self) -> Float32:
        """Rows over skin angle: position, strength, Y."""
        position = _positions_by_angle(self.unripe[None], self.ripe[None])[0]
        line = _line(self.unripe[None], self.ripe[None], position)[0]
        strength = np.maximum(skin_colour(line).strength, 1e-3)
        return np.asarray((position, strength, luminance(line[:, 0])), dtype=np.float32)


def ripeness_on(unripe: Float64, ripe: Float64, skin: SkinColour, dimming: Float32) -> Float32:
    """Place the same pixels on many lines at once.

    Parameters
    ----------
    unripe, ripe : float64 (n, 3)
        CIELAB of the ends of each line.
    skin : SkinColour
        Pixels (K,), or as each line's own light shows them (n, K).
    dimming : float32 (K,)

    Returns
    -------
    float32 (n, K)
        Ripeness, 0..1.
    """
    position = positions_on(unripe, ripe, skin.angle)
    return _ripeness(position, skin.chroma, dimming, unripe, ripe)


def positions_on(unripe: Float64, ripe: Float64, angle: Float32) -> Float32:
    """Return where lines (n, 3) or (1, 3) have the skin angles (K,) or (n, K): float32 (n, K)."""
    by_angle = _positions_by_angle(unripe, ripe)
    turn = (angle + np.float32(90)) * np.float32(_PER_DEGREE)
    whole = np.minimum(turn.astype(np.int32), _ANGLES.size - 2)
    here = whole + _ANGLES.size * np.arange(len(by_angle), dtype=np.int32)[:, None]
    low, high = (np.take(by_angle.ravel(), at) for at in (here, here + 1))
    return np.asarray(low + (turn - whole).astype(np.float32) * (high - low), dtype=np.float32)


def _positions_by_angle(unripe: Float64, ripe: Float64) -> Float32:
    """Where lines (n, 3) have each of the skin angles known by heart: float32 (n, A)."""
    known = skin_colour(_line(unripe, ripe, _STEPS)).angle
    order = np.argsort(known, axis=1)
    rows = zip(np.take_along_axis(known, order, axis=1), _STEPS[order], strict=True)
    return np.array([np.interp(_ANGLES, at, steps) for at, steps in rows], dtype=np.float32)


def _line(unripe: Float64, ripe: Float64, position: Float64) -> Float64:
    """CIELAB (n, N, 3) of lines (n, 3) at positions (N,)."""
    line = unripe[:, None] + position[:, None] * (ripe - unripe)[:, None]
    line[..., 0] = np.maximum(line[..., 0], 1)
    return np.asarray(line, dtype=np.float64)


def _ripeness(position: Float32, chroma: Float32, dimming: Float32, unripe: Float64, ripe: Float64) -> Float32:
    """Ripeness of pixels (..., K) at their places on lines (..., 3), by how far their a*, b* reach."""
    (l0, a0, b0), (dl, da, db) = (
        np.moveaxis(x.astype(np.float32), -1, 0)[..., None] for x in (unripe, ripe - unripe)
    )
    a, b = a0 + position * da, b0 + position * db
    usual = np.sqrt(a * a + b * b) / (np.maximum(l0 + position * dl, 1) + 16)
    turning = np.clip(5 * position * (1 - position), 0, 1)
    dimmed = 1 - turning * (1 - np.cbrt(dimming))
    over = np.clip(chroma / np.maximum(usual, np.float32(1e-3)), 1, _MOST_OVER) * dimmed
    along = (over * a - a0) * da + (over * b - b0) * db
    return np.asarray(np.clip(along / (da * da + db * db + np.float32(1e-6)), 0, 1), dtype=np.float32)
