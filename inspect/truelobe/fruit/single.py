"""One pepper as the pepper networks are shown it, and what they answer.

The networks (`calibration/slopes/README.md`) look at one pepper at a time: 160 x 160 pixels, the outline's longer
side 120, the light of the skin brought to a fixed level, and the outline as a fourth layer. Of each pixel they say
how steeply the skin turns away from the camera (`truelobe.fruit.slopes`); over the pepper they say where the stem
end points and how large the pepper is (`truelobe.fruit.bearing`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour.spaces import encode, linear_from_bytes
from truelobe.data import data_path
from truelobe.fruit.network import answered
from truelobe.fruit.silhouette import Box, Silhouette, bounding_box

Floats = NDArray[np.float32]

# Two networks that learned apart err less together than one: the first looks at the view as it is, the second at
# its mirror image.
MODELS = (("calibration", "slopes", "slopes.onnx"), ("calibration", "slopes", "slopes-two.onnx"))
# The network's view, and the pepper's longer side in it, as it was trained.
VIEW_PX, FRUIT_PX = 160, 120
# Median light of the skin as the network sees it: exposure tells nothing about slopes.
_LEVEL = 0.18
_GREY = np.array([0.2126, 0.7152, 0.0722], np.float32)


@dataclass(frozen=True)
class SingleView:
    """A pepper cut out for the network.

    Attributes
    ----------
    layers : float32, shape (4, VIEW_PX, VIEW_PX)
        sRGB and the outline, each -0.5..0.5.
    zoom : float
        View pixels per photo pixel.
    middle_px : float64, shape (2,)
        Photo position of the view's middle: that of the outline's box.
    """

    layers: Floats
    zoom: float
    middle_px: NDArray[np.float64]

    def ask(self, turns: int = 0, *, mirrored: bool = False) -> Floats:
        """Return a network's maps, shape (maps, VIEW_PX, VIEW_PX), asked turned and mirrored, laid back upright.

        Raises
        ------
        TruelobeError
            ``data-missing`` when the network is not there.
        """
        given = np.rot90(self.layers, turns, axes=(1, 2))
        given = np.ascontiguousarray(given[:, :, ::-1] if mirrored else given)
        maps = answered(given[None], data_path(*MODELS[mirrored]))
        return np.asarray(np.rot90(maps[:, :, ::-1] if mirrored else maps, -turns, axes=(1, 2)))

    def over_box(self, layer: Floats, box: Box) -> Floats:
        """Return a layer of the view over a box of photo pixels, x0, y0, x1, y1."""
        x0, y0, x1, y1 = box
        way = np.array([[self.zoom, 0.0, 0.0], [0.0, self.zoom, 0.0]])
        way[:, 2] = (VIEW_PX - 1) / 2 - self.zoom * (self.middle_px - (x0, y0))
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (x1 - x0, y1 - y0)
        return np.asarray(cv2.warpAffine(layer, way, size, flags=how, borderMode=cv2.BORDER_REPLICATE), np.float32)


def single_view(pixels: NDArray[np.uint8], silhouette: Silhouette) -> SingleView:
    """Cut one pepper out.

    Parameters
    ----------
    pixels : uint8, shape (H, W, 3)
        The upright photo.
    silhouette : Silhouette
    """
    x0, y0, x1, y1 = silhouette.box
    inner = bounding_box(silhouette.body)
    zoom = FRUIT_PX / max(inner[2] - inner[0], inner[3] - inner[1], 1)
    middle = np.array([2 * x0 + inner[0] + inner[2] - 1, 2 * y0 + inner[1] + inner[3] - 1]) / 2
    # Whole steps of shrinking first: the rest of the work is on few pixels.
    step = max(int(0.5 / zoom), 1)
    low = np.floor(middle - VIEW_PX / 2 / zoom).astype(int) - step
    far = np.ceil(middle + VIEW_PX / 2 / zoom).astype(int) + 2 * step
    left, top = (int(k) for k in np.clip(low, 0, (x0, y0)))
    right, under = (max(int(a), b) for a, b in zip(far, (x1, y1), strict=True))
    part = pixels[top:under, left:right]
    mask = np.zeros(part.shape[:2], np.uint8)
    mask[y0 - top : y1 - top, x0 - left : x1 - left] = silhouette.body
    small, covered = _shrunk(part, step), _shrunk(255 * mask, step)
    left_over = zoom * step
    way = np.array([[left_over, 0.0, 0.0], [0.0, left_over, 0.0]])
    way[:, 2] = (VIEW_PX - 1) / 2 - left_over * ((middle - (left, top) + 0.5) / step - 0.5)
    outline = np.asarray(covered / 255, np.float32)
    return SingleView(_layers(small, outline, way, left_over), zoom, middle)


def _shrunk(layers: NDArray[np.uint8], step: int) -> NDArray[np.uint8]:
    """Shrink layers by a whole number, each pixel the mean of what it covers; a rest at the far sides goes."""
    if step == 1:
        return layers
    height, width = layers.shape[0] // step, layers.shape[1] // step
    whole = layers[: height * step, : width * step]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


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
