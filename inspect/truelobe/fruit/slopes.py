"""How steeply the skin turns away from the camera, read from the picture, with lobes that no smooth body has.

The pepper network says of each pixel the ln of 1 / cosine and how far that may be off
(`calibration/slopes/README.md`). Eight views, turned by quarters and mirrored, are averaged, so a picture turned
by a quarter reads the same. Only asked where a mark needs it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.silhouette import Silhouette
from truelobe.fruit.single import single_view

Floats = NDArray[np.float32]

# Beyond 78 degrees nothing was learned.
_STEEPEST = 1.6


@dataclass(frozen=True)
class Slopes:
    """Slope of the skin over a pepper's box.

    Attributes
    ----------
    inverse : float32, shape (h, w)
        1 / cosine between the skin's normal and the line to the camera, at least 1.
    u : float32, shape (h, w)
        Standard deviation of its ln, as the network judges it for a place the size of a small blemish.
    """

    inverse: Floats
    u: Floats


def read_slopes(pixels: NDArray[np.uint8], silhouette: Silhouette) -> Slopes:
    """Read the slope of one pepper's skin.

    Parameters
    ----------
    pixels : uint8, shape (H, W, 3)
        The upright photo.
    silhouette : Silhouette

    Raises
    ------
    TruelobeError
        ``data-missing`` when the network is not there.
    """
    view = single_view(pixels, silhouette)
    asked = [view.ask(turns, mirrored=mirrored)[:2] for turns in range(4) for mirrored in (False, True)]
    mean = np.asarray(np.mean(asked, axis=0), np.float32)
    log, spread = (view.over_box(one, silhouette.box) for one in mean)
    inverse = np.exp(np.clip(log, 0.0, _STEEPEST))
    return Slopes(np.asarray(inverse, np.float32), np.asarray(np.exp(np.clip(spread, -5.0, 1.0)), np.float32))
