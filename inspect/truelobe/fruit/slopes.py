"""How steeply the skin turns away from the camera, read from the picture, with lobes that no smooth body has.

A trained network looks at one pepper at a time, its outline given, and says of each pixel the ln of 1 / cosine and
how far that may be off (`calibration/slopes/README.md`). Eight views, turned by quarters and mirrored, are
averaged, so a picture turned by a quarter reads the same. Only asked where a mark needs it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour.spaces import encode, linear_from_bytes
from truelobe.data import data_path
from truelobe.fruit.network import answered
from truelobe.fruit.silhouette import Silhouette

Floats = NDArray[np.float32]

MODEL = ("calibration", "slopes", "slopes.onnx")
# The network's view, and the pepper's longer side in it, as it was trained.
VIEW_PX, FRUIT_PX = 160, 120
# Median light of the skin as the network sees it: exposure tells nothing about slopes.
_LEVEL = 0.18
_GREY = np.array([0.2126, 0.7152, 0.0722], np.float32)
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
    x0, y0, x1, y1 = silhouette.box
    zoom = FRUIT_PX / max(x1 - x0, y1 - y0)
    middle = np.array([x0 + x1 - 1, y0 + y1 - 1]) / 2
    corner = np.floor(middle - VIEW_PX / 2 / zoom).astype(int) - 1
    far = np.ceil(middle + VIEW_PX / 2 / zoom).astype(int) + 2
    left, top = np.maximum(corner, 0)
    part = pixels[top : far[1], left : far[0]]
    mask = np.zeros(part.shape[:2], np.float32)
    mask[y0 - top : y1 - top, x0 - left : x1 - left] = silhouette.body
    way = np.array([[zoom, 0.0, 0.0], [0.0, zoom, 0.0]])
    way[:, 2] = (VIEW_PX - 1) / 2 - zoom * (middle - (left, top))
    maps = _asked(_layers(part, mask, way, zoom))
    way[:, 2] = (VIEW_PX - 1) / 2 - zoom * (middle - (x0, y0))
    size, how = (x1 - x0, y1 - y0), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    log, spread = (cv2.warpAffine(one, way, size, flags=how, borderMode=cv2.BORDER_REPLICATE) for one in maps)
    inverse = np.exp(np.clip(log, 0.0, _STEEPEST))
    return Slopes(np.asarray(inverse, np.float32), np.asarray(np.exp(np.clip(spread, -5.0, 1.0)), np.float32))


def _layers(part: NDArray[np.uint8], mask: Floats, way: NDArray[np.float64], zoom: float) -> Floats:
    """The pepper in the network's view: sRGB at a fixed light of the skin, and the mask, each -0.5..0.5."""
    view = _moved(np.dstack([linear_from_bytes(part), mask]), way, zoom)
    seen = (view[..., 3] > 0.5).astype(np.float32)
    middle = float(np.median((view[..., :3] @ _GREY)[seen > 0])) if seen.any() else _LEVEL
    level = np.clip(view[..., :3] * (_LEVEL / max(middle, 1e-4)), 0, 1)
    layers = np.concatenate([np.moveaxis(encode(level), -1, 0), seen[None]]) - 0.5
    return np.asarray(layers, np.float32)


def _moved(layers: Floats, way: NDArray[np.float64], zoom: float) -> Floats:
    """Move layers into the view, smoothed first where that shrinks them."""
    soft = cv2.GaussianBlur(layers, (0, 0), 0.4 / zoom) if zoom < 0.8 else layers
    size = (VIEW_PX, VIEW_PX)
    return np.asarray(
        cv2.warpAffine(soft, way, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT), np.float32
    )


def _asked(layers: Floats) -> Floats:
    """Return the two maps (2, VIEW_PX, VIEW_PX), the mean over eight views."""
    answers = []
    for turn in range(4):
        for mirrored in (False, True):
            given = np.rot90(layers, turn, axes=(1, 2))
            given = np.ascontiguousarray(given[:, :, ::-1] if mirrored else given)
            maps = answered(given[None], data_path(*MODEL))[:2]
            answers.append(np.rot90(maps[:, :, ::-1] if mirrored else maps, -turn, axes=(1, 2)))
    return np.asarray(np.mean(answers, axis=0), np.float32)
