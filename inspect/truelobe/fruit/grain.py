"""Which way the shading of a pepper's skin runs: lobes, grooves and highlights are long along its axis.

The structure tensor (Bigun & Granlund 1987) of the lightness, each pixel counted by the square root of its
gradient so that one hard edge of a green patch does not outvote the skin.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.silhouette import Mask
from truelobe.pixels import blurred

# The body is brought to this size, pixels across, and smoothed by SMOOTH of them; what lies nearer to the rim than
# INSIDE of them is left out, since the rim's own shading only repeats the outline.
SIZE, SMOOTH, INSIDE = 160.0, 1.5, 7.5
LEAST_PIXELS = 200


def shading_direction(pixels: NDArray[np.uint8], body: Mask) -> NDArray[np.float64]:
    """Return the direction in the picture along which the shading runs.

    Parameters
    ----------
    pixels : uint8, shape (h, w, 3)
        RGB.
    body : bool, shape (h, w)

    Returns
    -------
    float64, shape (2,)
        Cosine and sine of twice the angle (opposite directions are one), as long as the gradients agree: 0 to 1.
    """
    size = float(np.sqrt(np.count_nonzero(body)))
    if size == 0:
        return np.zeros(2)
    factor = SIZE / size
    shape = (max(round(body.shape[1] * factor), 1), max(round(body.shape[0] * factor), 1))
    small = cv2.resize(pixels, shape, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC)
    mask = cv2.resize(body.astype(np.uint8), shape, interpolation=cv2.INTER_NEAREST)
    lightness = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)[..., 0] * mask
    weight = blurred(mask.astype(np.float32), SMOOTH)
    smooth = blurred(lightness, SMOOTH) / np.maximum(weight, 1e-3)
    down, across = np.gradient(smooth)
    inside = cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 5)[1:-1, 1:-1] > INSIDE
    if inside.sum() < LEAST_PIXELS:
        return np.zeros(2)
    votes = np.sqrt(np.hypot(across, down))[inside].astype(np.float64)
    twice = 2 * np.arctan2(down, across)[inside].astype(np.float64)
    # Shading runs at right angles to its gradient: half a turn at twice the angle.
    total = -np.array([(votes * np.cos(twice)).sum(), (votes * np.sin(twice)).sum()])
    direction: NDArray[np.float64] = total / max(float(votes.sum()), 1e-9)
    return direction
