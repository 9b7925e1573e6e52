"""Places on the skin worth a look: darker, paler or browner than the skin around. Never named, never counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from truelobe.pixels import blurred

Look = Literal["dark", "pale", "brown"]
# Radii looked for, mm: places from 3 to 16 mm across.
RADII_MM = (1.6, 2.4, 3.6, 5.4, 8.0)
_LEAST_RADIUS_PX = 1.5
_WAYS = 12
_WORTH_A_LOOK = 3.5
# Colors are compared as a* and b* at the lightness of white (L* + 16 = 100). What follows was chosen on the
# development plates, all of which were looked at for it: a spot is no lighter than the skin round it and neither
# green nor vivid; a scar is lighter, less red and still yellowish, where a glint turns towards the lamp's white.
_DARK_CONTRAST, _DARK_L, _DARK_A, _DARK_B = 15.0, 45.0, (-15.0, 35.0), 0.0
_PALE_CONTRAST, _PALER, _PALE_B, _RED_OVER_YELLOW = 15.0, 3.0, 30.0, 1.25
_GLINT_L = 92.0
# A dark place with this much color left, towards red, is brown.
_BROWN = 25.0


@dataclass(frozen=True)
class Spot:
    """One place to look at.

    Attributes
    ----------
    look : {"dark", "pale", "brown"}
    centre_px : tuple of float
        In the pepper's box.
    radius_px : float
        Of the equal circle.
    contrast : float
        CIELAB distance to the skin around.
    """

    look: Look
    centre_px: tuple[float, float]
    radius_px: float
    contrast: float

    def document(self) -> dict[str, Any]:
        """Return the place as it stands in a measurement document."""
        return {
            "look": self.look,
            "centre_px": [round(self.centre_px[0], 1), round(self.centre_px[1], 1)],
            "radius_px": round(self.radius_px, 1),
            "contrast": round(self.contrast, 1),
        }


def likely_spots(
    lab: NDArray[np.float32],
    body: NDArray[np.bool_],
    facing: NDArray[np.float32],
    *,
    mm_per_px: float = 0.5,
    most: int = 8,
) -> tuple[Spot, ...]:
    """Point out small places whose colour stands out, all round, from the skin about them by more than shade.

    Shade scales a color's light; in CIELAB that scales L* + 16, a* and b* by the same factor, so a* and b* over
    L* + 16 stay as they are. A groove in shadow keeps them; a spot, a scar or a glint does not. A place must
    differ the same way from the skin in eleven of twelve directions: a border of ripe and green skin differs to
    one side.

    Parameters
    ----------
    lab : ndarray, shape (h, w, 3), float32
        CIELAB of the pepper's box.
    body : ndarray, shape (h, w), bool
        Skin to look at; leave out stem and calyx.
    facing : ndarray, shape (h, w), float32
        Cosine between skin and camera; the rim is left out.
    mm_per_px : float
        Size of a pixel on skin that faces the camera.
    most : int
        At most so many, those that stand out most first.
    """
    inside = ndimage.binary_erosion(body & (facing > 0.4), iterations=2)
    if inside.sum() < 200:
        return ()
    light = lab[..., :1]
    seen = np.concatenate([light, 100 * lab[..., 1:] / np.maximum(light + 16, 8.0)], axis=-1).astype(np.float32)
    glints = ndimage.binary_dilation(lab[..., 0] > _GLINT_L, np.ones((3, 3), dtype=bool))
    skin = np.where(inside[..., None], seen, np.float32(0))
    asked = inside & ~glints
    found: list[Spot] = []
    for radius_mm in RADII_MM:
        found += _of_size(lab, skin, inside, asked, max(radius_mm / mm_per_px, _LEAST_RADIUS_PX))
    kept: list[Spot] = []
    for spot in sorted(found, key=lambda one: -one.contrast):
        if not any(_same_place(spot, other) for other in kept):
            kept.append(spot)
    return tuple(kept[:most])


def _same_place(spot: Spot, other: Spot) -> bool:
    apart = np.hypot(spot.centre_px[0] - other.centre_px[0], spot.centre_px[1] - other.centre_px[1])
    return bool(apart <= 1.5 * max(spot.radius_px, other.radius_px))


def _of_size(
    lab: NDArray[np.float32],
    skin: NDArray[np.float32],
    inside: NDArray[np.bool_],
    asked: NDArray[np.bool_],
    radius: float,
) -> list[Spot]:
    """Places of about one size, among those asked, each where the contrast is greatest."""
    middle = _mean(skin, inside, radius / 2)
    reach = round(2 * radius + 1)
    least = min(_DARK_CONTRAST, _PALE_CONTRAST)
    ringed = _Ringed.of(middle, inside, reach)
    y, x = _unlike_all_round(ringed, *_unlike_around(middle, skin, inside, asked, reach), least)
    if not y.size:
        return []
    off, there = ringed.against(y, x, np.arange(_WAYS), (0, 1, 2))
    count = there.sum(axis=0)
    mean = np.where(there, off, 0).sum(axis=1) / np.maximum(count, 1)
    way = mean[1:] / np.maximum(np.hypot(mean[1], mean[2]), 1e-3)
    along = np.where(there, off[1] * way[0] + off[2] * way[1], np.inf)
    # The second least: one direction may meet another spot.
    contrast = np.where(count >= _WAYS - 2, np.partition(along, 1, axis=0)[1], 0.0)
    ground = np.zeros(inside.shape, np.float32)
    ground[y, x] = contrast
    side = 2 * int(np.ceil(radius)) + 1
    peak = (contrast > least) & (ground >= cv2.dilate(ground, np.ones((side, side), np.uint8)))[y, x]
    spots = []
    for n in np.flatnonzero(peak):
        look = _look(float(contrast[n]), mean[:, n], lab[y[n], x[n]])
        if look is not None:
            spots.append(Spot(look, (float(x[n]), float(y[n])), radius, float(contrast[n])))
    return spots


def _mean(skin: NDArray[np.float32], inside: NDArray[np.bool_], reach: float) -> NDArray[np.float32]:
    """Mean over the skin in a Gaussian neighbourhood."""
    share = np.maximum(blurred(inside.astype(np.float32), reach), 1e-3)[..., None]
    return np.asarray(blurred(skin, reach) / share, np.float32)


def _unlike_around(
    middle: NDArray[np.float32],
    skin: NDArray[np.float32],
    inside: NDArray[np.bool_],
    asked: NDArray[np.bool_],
    reach: int,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns asked whose color differs from their whole neighbourhood: twelve directions cost more."""
    wide = (2 * reach + 1, 2 * reach + 1)
    share = np.maximum(cv2.blur(inside.astype(np.float32), wide), 1e-3)
    a, b = (middle[..., k] - cv2.blur(skin[..., k], wide) / share for k in (1, 2))
    y, x = np.nonzero(asked & (a * a + b * b > _WORTH_A_LOOK**2))
    return y, x


@dataclass(frozen=True)
class _Ringed:
    """Layers with an edge of no skin all round, wide enough that a place's whole ring can be reached by one index.

    Attributes
    ----------
    layers : float32 (3, N)
    skin : bool (N,)
    width, reach : int
        Of the rows with their edge, of the ring.
    """

    layers: NDArray[np.float32]
    skin: NDArray[np.bool_]
    width: int
    reach: int

    @classmethod
    def of(cls, layers: NDArray[np.float32], skin: NDArray[np.bool_], reach: int) -> _Ringed:
        edge = (reach,) * 4
        planes = [
            cv2.copyMakeBorder(one, *edge, cv2.BORDER_CONSTANT, value=0.0).ravel() for one in cv2.split(layers)
        ]
        return cls(np.stack(planes), np.pad(skin, reach).ravel(), skin.shape[1] + 2 * reach, reach)

    def against(
        self, y: NDArray[np.intp], x: NDArray[np.intp], ways: NDArray[np.intp], which: tuple[int, ...]
    ) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Places less what lies on the ring in k of twelve ways (c, k, n), and whether that is skin (k, n)."""
        angle = ways * (2 * np.pi / _WAYS)
        down, across = (np.rint(self.reach * turn(angle)).astype(int) for turn in (np.sin, np.cos))
        here = (y + self.reach) * self.width + x + self.reach
        there = here + (down * self.width + across)[:, None]
        off = [np.take(self.layers[k], here) - np.take(self.layers[k], there) for k in which]
        return np.stack(off), np.take(self.skin, there)


def _unlike_all_round(
    ringed: _Ringed, y: NDArray[np.intp], x: NDArray[np.intp], least: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns whose color stands out by more than `least` in all directions but one.

    A few directions are asked first: what hardly stands out in two of them can't do so in eleven of twelve.
    """
    hardly = np.zeros(y.size, dtype=np.intp)
    for ways in (range(0, _WAYS, 4), range(2, _WAYS, 4), range(1, _WAYS, 2)):
        (a, b), there = ringed.against(y, x, np.array(ways), (1, 2))
        hardly += np.count_nonzero(there & (a * a + b * b <= least**2), axis=0)
        keep = hardly <= 1
        y, x, hardly = y[keep], x[keep], hardly[keep]
    return y, x


def _look(contrast: float, off: NDArray[np.float32], lab: NDArray[np.float32]) -> Look | None:
    """Name the look of a place that differs by `off` from the skin round it; None where it is no spot or scar."""
    a, b = (100 * float(part) / max(float(lab[0]) + 16, 8.0) for part in lab[1:])
    if (
        contrast > _DARK_CONTRAST
        and off[0] < 1
        and lab[0] < _DARK_L
        and _DARK_A[0] < a < _DARK_A[1]
        and b > _DARK_B
    ):
        return "brown" if a > 0 and float(np.hypot(a, b)) > _BROWN else "dark"
    less_red = off[1] < 0 and abs(off[1]) > _RED_OVER_YELLOW * abs(off[2])
    if contrast > _PALE_CONTRAST and off[0] > _PALER and b > _PALE_B and a > 0 and less_red:
        return "pale"
    return None
