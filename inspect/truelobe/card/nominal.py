"""The nominal colours of the patches as light."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Linear sRGB from CIE XYZ (D65, 2 degrees): inverse of the matrix in IEC 61966-2-1, rounded as printed there.
_XYZ_TO_RGB = np.linalg.inv(
    np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
)


def lab_to_linear_srgb(lab: ArrayLike) -> NDArray[np.float64]:
    """Convert CIELAB (D65, 2 degrees) to linear sRGB, not clipped.

    Parameters
    ----------
    lab : array_like, shape (..., 3)

    Returns
    -------
    ndarray of float64, shape (..., 3)

    Notes
    -----
    CIE 15:2004 with the exact constants 216/24389 and 24389/27; white is the sum of the sRGB matrix's columns.
    """
    lightness, a, b = np.moveaxis(np.asarray(lab, dtype=float), -1, 0)
    fy = (lightness + 16) / 116
    f = np.stack([fy + a / 500, fy, fy - b / 200], axis=-1)
    ratio = np.where(f**3 > 216 / 24389, f**3, (116 * f - 16) * 27 / 24389)
    white = np.linalg.inv(_XYZ_TO_RGB).sum(axis=1)
    linear: NDArray[np.float64] = (ratio * white) @ _XYZ_TO_RGB.T
    return linear
