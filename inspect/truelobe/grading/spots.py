"""Places on the skin worth a look: darker, paler or browner than the skin around. Never named, never counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from truelobe.pixels import blurred

Look = Literal["dark", "pale", "brown"]
# How much lighter or darker than the skin around a place must be, in L*.
_PALER, _DARKER = 3.0, -7.0
# A dark place with this much color left, towards red, is brown: chroma at the lightness of white (L* + 16 = 100).
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
    among: NDArray[np.bool_] | None = None,
    smallest_px: float = 2.5,
    contrast: float = 10.0,
    most: int = 8,
) -> tuple[Spot, ...]:
    """Point out places whose colour stands out from the skin around them by more than light and shade.

    Shade scales a color's light; in CIELAB that scales L* + 16, a* and b* by the same factor, so a* and b* over
    L* + 16 stay as they are. A groove in shadow keeps them; a spot, a scar or a glint does not.

    Parameters
    ----------
    lab : ndarray, shape (h, w, 3), float32
        CIELAB of the pepper's box.
    body : ndarray, shape (h, w), bool
        Skin to look at; leave out stem and calyx.
    facing : ndarray, shape (h, w), float32
        Cosine between skin and camera; the rim is left out.
    among : ndarray, shape (h, w), bool, optional
        Only places here are pointed out.
    smallest_px : float
        Radius of the smallest place pointed out.
    contrast : float
        Least distance to the surroundings, in a* and b* at the lightness of white (L* + 16 = 100).
    most : int
        At most so many, the strongest first.
    """
    inside = ndimage.binary_erosion(body & (facing > 0.35), iterations=2)
    if inside.sum() < 200:
        return ()
    light = lab[..., :1]
    seen = np.concatenate([light, 100 * lab[..., 1:] / np.maximum(light + 16, 8.0)], axis=-1)
    difference = blurred(seen, smallest_px / 3) - _around(seen, inside, 0.12 * float(np.sqrt(inside.sum())))
    distance = np.linalg.norm(difference[..., 1:], axis=-1)
    marked, count = ndimage.label(inside & (distance > contrast) & (True if among is None else among))
    found = []
    for n in range(1, count + 1):
        where = marked == n
        radius = float(np.sqrt(where.sum() / np.pi))
        look = _look(float(difference[where][:, 0].mean()), np.median(lab[where], axis=0))
        if look is None or radius < smallest_px or where.sum() > 0.2 * inside.sum():
            continue
        y, x = ndimage.center_of_mass(where)
        found.append(Spot(look, (float(x), float(y)), radius, float(distance[where].mean())))
    return tuple(sorted(found, key=lambda spot: -spot.contrast * spot.radius_px)[:most])


def _around(layers: NDArray[np.float32], inside: NDArray[np.bool_], reach: float) -> NDArray[np.float32]:
    """Mean over the skin in a Gaussian neighbourhood."""
    weight = np.maximum(blurred(inside.astype(np.float32), reach), 1e-6)
    mean = blurred(np.where(inside[..., None], layers, np.float32(0)), reach) / weight[..., None]
    return np.asarray(mean, dtype=np.float32)


def _look(lighter: float, lab: NDArray[np.float32]) -> Look | None:
    """Name the look of a place; None where it is about as light as the skin around."""
    if lighter > _PALER:
        return "pale"
    if lighter > _DARKER:
        return None
    strength = 100 * float(np.hypot(lab[1], lab[2])) / max(float(lab[0]) + 16, 8.0)
    return "brown" if lab[1] > 0 and strength > _BROWN else "dark"
