"""Shrinking and smoothing of pixels, as several rooms need it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Layer = NDArray[np.uint8] | NDArray[np.bool_] | NDArray[np.float32]


def halved(pixels: NDArray[np.uint8], shrink: float) -> tuple[NDArray[np.uint8], float]:
    """Take the first steps of shrinking a large picture, each pixel the mean of what it covers.

    OpenCV halves a picture ten times faster than it shrinks one by an odd factor.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    shrink : float
        Photo pixels per pixel wanted in the end.

    Returns
    -------
    pixels : ndarray of uint8
        Halved while half as much again is left to do, and its sides are even.
    shrink : float
        What is left to do.
    """
    while shrink >= 3 and pixels.shape[0] % 2 == 0 and pixels.shape[1] % 2 == 0:
        size = (pixels.shape[1] // 2, pixels.shape[0] // 2)
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        shrink /= 2
    return pixels, shrink


def shrunk(layer: Layer, size: tuple[int, int]) -> NDArray[np.float32]:
    """Shrink a layer to a size, each pixel the mean of what it covers; a large one by halves first.

    After halving a pixel that is covered in part counts with its mean, so borders blur by up to a third of one.

    Parameters
    ----------
    layer : ndarray of uint8, bool or float32, shape (h, w) or (h, w, 3)
    size : tuple of int
        Width and height; an odd last row or column of what is halved is left out.

    Returns
    -------
    ndarray of float32
        Of a mask the share that is true.
    """
    if layer.dtype == np.bool_:
        return shrunk(layer.view(np.uint8) * np.uint8(255), size) / np.float32(255)
    small: NDArray[Any] = layer
    while small.shape[1] >= 3 * size[0] and small.shape[0] >= 3 * size[1]:
        half = (small.shape[1] // 2, small.shape[0] // 2)
        small = cv2.resize(small[: 2 * half[1], : 2 * half[0]], half, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.float32)


def blurred(layers: NDArray[np.float32], sd: float) -> NDArray[np.float32]:
    """Smooth one or several layers by a Gaussian that reaches four standard deviations, mirrored at the border.

    The same as `scipy.ndimage.gaussian_filter` within rounding, several times faster.

    Parameters
    ----------
    layers : ndarray of float32, shape (h, w) or (h, w, c)
    sd : float
        Standard deviation, pixels.
    """
    side = 2 * round(4 * sd) + 1
    smooth = cv2.GaussianBlur(layers, (side, side), sd, borderType=cv2.BORDER_REFLECT)
    return np.asarray(smooth, dtype=np.float32).reshape(layers.shape)
