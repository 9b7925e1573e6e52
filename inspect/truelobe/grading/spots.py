"""Places on the skin worth a look: darker, paler or browner than the skin around. Never named, never counted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Look = Literal["dark", "pale", "brown"]


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


def likely_spots(
    lab: NDArray[np.float32],
    body: NDArray[np.bool_],
    facing: NDArray[np.float32],
    *,
    smallest_px: float = 4.0,
    contrast: float = 12.0,
    most: int = 8,
) -> tuple[Spot, ...]:
    """Point out places whose colour stands out from the skin around them.

    Parameters
    ----------
    lab : ndarray, shape (h, w, 3), float32
        CIELAB of the pepper's box.
    body : ndarray, shape (h, w), bool
        Skin to look at; leave out stem, calyx and highlights.
    facing : ndarray, shape (h, w), float32
        Cosine between skin and camera; the rim is left out.
    smallest_px : float
        Radius of the smallest place pointed out.
    contrast : float
        Least CIELAB distance to the surroundings.
    most : int
        At most so many, the strongest first.
    """
    inside = ndimage.binary_erosion(body & (facing > 0.35), iterations=2)
    if inside.sum() < 200:
        return ()
    reach = 0.18 * float(np.sqrt(inside.sum()))
    weight = ndimage.gaussian_filter(inside.astype(np.float32), reach)
    around = (
        np.stack(
            [
                ndimage.gaussian_filter(np.where(inside, lab[..., c], 0.0).astype(np.float32), reach)
                for c in range(3)
            ],
            axis=-1,
        )
        / np.maximum(weight, 1e-6)[..., None]
    )
    smooth = np.stack([ndimage.gaussian_filter(lab[..., c], smallest_px / 3) for c in range(3)], axis=-1)
    difference = smooth - around
    distance = np.linalg.norm(difference * np.array([1.0, 0.7, 0.7], dtype=np.float32), axis=-1)
    marked, count = ndimage.label(inside & (distance > contrast))
    found = []
    for n in range(1, count + 1):
        where = marked == n
        radius = float(np.sqrt(where.sum() / np.pi))
        if radius < smallest_px or where.sum() > 0.25 * inside.sum():
            continue
        light, red, yellow = difference[where].mean(axis=0)
        chroma = float(np.hypot(lab[where][:, 1], lab[where][:, 2]).mean())
        y, x = ndimage.center_of_mass(where)
        found.append(
            Spot(_look(light, red, yellow, chroma), (float(x), float(y)), radius, float(distance[where].mean()))
        )
    return tuple(sorted(found, key=lambda spot: -spot.contrast * spot.radius_px)[:most])


def _look(light: float, red: float, yellow: float, chroma: float) -> Look:
    if light > 4:
        return "pale"
    hue_is_warm = red > -2 and chroma > 8
    return "brown" if hue_is_warm and light > -14 and yellow < 4 else "dark"
