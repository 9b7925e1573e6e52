"""Ask the trained outline network what it sees, through OpenCV alone.

The network takes 640 x 480 pixels; a photo is shrunk by area to fit, a portrait photo turned by a quarter, the
rest padded by reflection. A photo too small to show more from nearer is enlarged a little and looked at four ways
mirrored, whose mean steadies the outlines; so is a piece of a photo where the edge is unclear. Its answers come
back upright and cut to the photo: network x = (photo x + 0.5) * scale - 0.5, pixel centres at whole numbers in
both.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.data import data_path
from truelobe.fruit.silhouette import Box, Polygon, filled
from truelobe.pixels import halved

Floats = NDArray[np.float32]

INPUT_WIDTH, INPUT_HEIGHT = 640, 480
SMALL_VIEW = (768, 576)
"""What the network is given of a small photo: its peppers come nearer to the size that was trained."""
LEAST_GAIN = 1.15
"""A look from nearer that enlarges less than this is not worth its time."""
MODEL = ("calibration", "outlines", "outlines.onnx")
_VECTOR_UNIT = 32.0
_MAPS = 6
_MIRRORED = ((1, 1), (1, -1), (-1, 1), (-1, -1))


@dataclass(frozen=True)
class FruitMaps:
    """What the network says about a photo, upright, at network size.

    Attributes
    ----------
    fruit, calyx, stem : ndarray of float32, shape (h, w)
        Logits: above 0 is more likely than not. Fruit is body with calyx, without stem; far below 0 where barred.
    vector : ndarray of float32, shape (h, w, 2)
        From each pixel of a fruit or stem to the middle of what shows of that fruit, in network pixels, x first.
    contact : ndarray of float32, shape (h, w)
        Probability, 0..1, of a border between two fruits.
    scale : tuple of float
        Network pixels per photo pixel, across and down.
    shape : tuple of int
        Height and width of the photo.
    exclude : tuple of ndarray, shape (K, 2)
        Polygons in photo pixels where no fruit is looked for.
    model : Path
        The network that was asked.
    """

    fruit: Floats
    calyx: Floats
    stem: Floats
    vector: Floats
    contact: Floats
    scale: tuple[float, float]
    shape: tuple[int, int]
    exclude: tuple[Polygon, ...]
    model: Path

    def to_network(self, photo_xy: NDArray[np.floating]) -> Polygon:
        """Photo positions (..., 2) in network pixels."""
        moved: Polygon = (np.asarray(photo_xy, np.float64) + 0.5) * self.scale - 0.5
        return moved

    def to_photo(self, network_xy: NDArray[np.floating]) -> Polygon:
        """Network positions (..., 2) in photo pixels."""
        moved: Polygon = (np.asarray(network_xy, np.float64) + 0.5) / self.scale - 0.5
        return moved

    def barring(self, exclude: Sequence[Polygon]) -> FruitMaps:
        """The same look with no fruit inside some more polygons (K, 2), in photo pixels."""
        height, width = self.fruit.shape
        barred = filled([self.to_network(ring) for ring in exclude], (0, 0, width, height))
        fruit, stem = (np.where(barred, np.float32(-20), layer) for layer in (self.fruit, self.stem))
        return replace(self, fruit=fruit, stem=stem, exclude=(*self.exclude, *exclude))

    def photo_box(self, network_box: Box) -> Box:
        """Smallest photo box that covers a box of whole network pixels."""
        x0, y0, x1, y1 = network_box
        low, high = np.floor(np.array([x0, y0]) / self.scale), np.ceil(np.array([x1, y1]) / self.scale)
        return (
            max(int(low[0]), 0),
            max(int(low[1]), 0),
            min(int(high[0]), self.shape[1]),
            min(int(high[1]), self.shape[0]),
        )


def model_path() -> Path:
    """Return where the trained network lies.

    Raises
    ------
    TruelobeError
        ``data-missing`` when it is not there.
    """
    return data_path(*MODEL)


def look(
    pixels: NDArray[np.uint8],
    exclude: Sequence[Polygon] = (),
    model: Path | None = None,
    view: tuple[int, int] | None = None,
    *,
    mirrored: bool = False,
) -> FruitMaps:
    """Ask the network about a whole photo, or a piece of one.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        Upright RGB photo.
    exclude : sequence of ndarray of float, shape (K, 2)
        Polygons in photo pixels where no fruit is looked for.
    model : Path, optional
        Another network file than the one shipped.
    view : tuple of int, optional
        Width and height of what the network is given, multiples of 32, width the larger. Unsaid, as befits the
        photo's size.
    mirrored : bool
        Ask four ways mirrored and take the mean; done for a small photo without a word.
    """
    height, width = pixels.shape[:2]
    model = model or model_path()
    careful = view is None and _shows_all(height, width)
    view = view or (SMALL_VIEW if careful else (INPUT_WIDTH, INPUT_HEIGHT))
    upright = height > width
    long, short = (height, width) if upright else (width, height)
    factor = min(view[0] / long, view[1] / short)
    size = (max(round(width * factor), 1), max(round(height * factor), 1))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(halved(pixels, 1 / factor)[0], size, interpolation=how), np.uint8)
    ways = _MIRRORED if careful or mirrored else _MIRRORED[:1]
    answer = _asked(np.rot90(small) if upright else small, model, view, ways)
    if upright:
        answer = np.rot90(answer, -1, axes=(1, 2))
        answer[3:5] = np.stack([-answer[4], answer[3]])
    maps = FruitMaps(
        fruit=answer[0],
        calyx=answer[1],
        stem=answer[2],
        vector=np.ascontiguousarray(np.moveaxis(answer[3:5], 0, -1)) * np.float32(_VECTOR_UNIT),
        contact=probability(answer[5]),
        scale=(size[0] / width, size[1] / height),
        shape=(height, width),
        exclude=(),
        model=model,
    )
    return maps.barring(exclude) if exclude else maps


def probability(logit: Floats) -> Floats:
    """Return the logistic function of a logit."""
    return (1 / (1 + np.exp(-np.clip(logit, -30, 30)))).astype(np.float32, copy=False)


def _shows_all(height: int, width: int) -> bool:
    """Whether the ordinary view shows all that a photo of this size holds, so that no nearer look shows more."""
    long, short = max(height, width), min(height, width)
    return min(INPUT_WIDTH / long, INPUT_HEIGHT / short) * LEAST_GAIN > 1


def _asked(
    landscape: NDArray[np.uint8],
    model: Path,
    view: tuple[int, int],
    ways: Sequence[tuple[int, int]] = _MIRRORED[:1],
) -> Floats:
    """The network's maps (6, h, w) for a picture that fits the view, the mean of all ways it is turned over."""
    total = np.zeros((_MAPS, *landscape.shape[:2]), np.float32)
    for down, across in ways:
        answer = _asked_once(landscape[::down, ::across], model, view)[:, ::down, ::across]
        answer[3] *= across
        answer[4] *= down
        total += answer
    return np.asarray(total / len(ways), np.float32)


def _asked_once(landscape: NDArray[np.uint8], model: Path, view: tuple[int, int]) -> Floats:
    height, width = landscape.shape[:2]
    padded = cv2.copyMakeBorder(
        np.ascontiguousarray(landscape), 0, view[1] - height, 0, view[0] - width, cv2.BORDER_REFLECT
    )
    blob = (np.moveaxis(padded, -1, 0)[None].astype(np.float32) / 255 - 0.5).astype(np.float32)
    return np.array(answered(blob, model)[:, :height, :width])


def answered(blob: Floats, model: Path) -> Floats:
    """Return a network's maps at full size, float32 (m, h, w), for one input, float32 (1, layers, h, w)."""
    high, wide = blob.shape[2:]
    idle = _idle(str(model), (wide, high))
    try:
        net = idle.pop()
    except IndexError:
        net = cv2.dnn.readNetFromONNX(str(model))
    net.setInput(blob)
    raw = np.asarray(net.forward(), np.float32).reshape(-1, 2, 2, high // 2, wide // 2)
    # Four sub-pixels a map, shuffled to full size here because OpenCV's own shuffles differ between versions.
    maps = raw.transpose(0, 3, 1, 4, 2).reshape(-1, high, wide)
    idle.append(net)
    return maps


@functools.lru_cache(maxsize=8)
def _idle(path: str, view: tuple[int, int]) -> list[cv2.dnn.Net]:
    """Loaded networks that nobody works with; one holds the buffers of one picture of one size."""
    return []
