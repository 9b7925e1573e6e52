"""Shrinking and smoothing of pixels, as several rooms need it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


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
