"""Find the peppers of a photo: the room's front door."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.classical import find_by_colour
from truelobe.fruit.silhouette import Polygon, Silhouette


def find_fruit(pixels: NDArray[np.uint8], exclude: Sequence[Polygon] = ()) -> tuple[Silhouette, ...]:
    """Find and outline every pepper of a photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        Upright RGB photo.
    exclude : sequence of ndarray of float, shape (K, 2)
        Polygons in photo pixels where no pepper is looked for, such as the card's outline.

    Returns
    -------
    tuple of Silhouette
        In reading order, numbered from 1; empty if there is none.
    """
    return find_by_colour(pixels, exclude)
