"""Color spaces between a photo's bytes and CIELAB (D65, 2 degrees): sRGB, Display P3, XYZ, CIEDE2000.

Everything here works on linear light that may leave 0..1: a ripe red pepper lies outside sRGB, and a conversion
that clips would move its hue. The fast path is OpenCV's table look-up, matrix and power functions, one pass each.

Sources
-------
IEC 61966-2-1 (sRGB curve and matrix); CIE 15:2018 (CIELAB, with the exact fractions 216/24389 and 24389/27);
Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula", Color Research and Application 30(1), 2005,
doi 10.1002/col.20070; Bradford cone matrix as in the CSS Color Module Level 4.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

WHITE_D65: Final = np.array([0.95047, 1.0, 1.08883])
"""XYZ of the D65 white point, 2 degree observer."""

SRGB_TO_XYZ: Final = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB to XYZ; the columns sum to `WHITE_D65`, so equal channels are exactly neutral."""

XYZ_TO_SRGB: Final = np.linalg.inv(SRGB_TO_XYZ)

P3_TO_SRGB: Final = np.array(
    [
        [1.2248021, -0.2249113, 0.0],
        [-0.0419281, 1.0420299, 0.0],
        [-0.0196088, -0.0786321, 1.0983154],
    ]
)
"""Linear Display P3 to linear sRGB; both share the white point and the curve."""

_BRADFORD: Final = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_EPSILON: Final = 216 / 24389
_KAPPA: Final = 24389 / 27

# fx, fy, fz, each too large by kappa * epsilon / 116 = 8 / 116, -> L, a, b as one affine map.
_F_TO_LAB: Final = np.array([[0, 116, 0, -24], [500, -500, 0, 0], [0, 200, -200, 0]], dtype=np.float32)
_LINEAR_TO_RELATIVE: Final = SRGB_TO_XYZ / WHITE_D65[:, None]
_RELATIVE_TO_LINEAR: Final = np.linalg.inv(_LINEAR_TO_RELATIVE)


def decode(encoded: ArrayLike) -> Float64:
    """Return linear light for sRGB-curve values.

    Parameters
    ----------
    encoded : array_like
        Values on the sRGB curve, 1.0 is white. Negative values are mirrored.

    Examples
    --------
    >>> float(decode(0.5).round(7))
    0.2140411
    """
    value = np.asarray(encoded, dtype=np.float64)
    size = np.abs(value)
    linear = np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4)
    return np.sign(value) * linear


def encode(linear: ArrayLike) -> Float64:
    """Return sRGB-curve values for linear light: the inverse of `decode`."""
    value = np.asarray(linear, dtype=np.float64)
    size = np.abs(value)
    curve = np.where(size <= 0.0031308, size * 12.92, 1.055 * size ** (1 / 2.4) - 0.055)
    return np.sign(value) * curve


BYTE_TO_LINEAR: Final[Float32] = decode(np.arange(256) / 255).astype(np.float32)
"""Linear light of each of the 256 byte values."""


def linear_from_bytes(pixels: NDArray[np.uint8]) -> Float32:
    """Return linear light, float32, for sRGB-curve bytes of any shape, in their own primaries."""
    return BYTE_TO_LINEAR[pixels]


def transform(values: Float32, matrix: ArrayLike) -> Float32:
    """Apply a 3x3 or 3x4 (affine) matrix to the last axis.

    Parameters
    ----------
    values : float32 (..., 3)
    matrix : array_like (3, 3) or (3, 4)
    """
    flat = np.ascontiguousarray(values, dtype=np.float32).reshape(1, -1, 3)
    if flat.size == 0:
        return np.zeros_like(values, dtype=np.float32)
    out = cv2.transform(flat, np.asarray(matrix, dtype=np.float32))
    return np.asarray(out, dtype=np.float32).reshape(values.shape)


def linear_to_xyz(linear: ArrayLike) -> Float64:
    """Return XYZ (white Y = 1) for linear sRGB (..., 3)."""
    xyz: Float64 = np.asarray(linear, dtype=np.float64) @ SRGB_TO_XYZ.T
    return xyz


def relative_to_lab(relative: Float32) -> Float32:
    """Return CIELAB for XYZ already divided by the white point.

    Parameters
    ----------
    relative : float32 (..., 3)
        X/Xn, Y/Yn, Z/Zn. Nothing is clipped; below 216/24389, negative included, the straight part holds.

    Returns
    -------
    float32 (..., 3)
        L*, a*, b*.
    """
    flat = np.ascontiguousarray(relative, dtype=np.float32).reshape(1, -1)
    if flat.size == 0:
        return np.zeros_like(relative, dtype=np.float32)
    # f(t) = cbrt(max(t, eps)) + kappa / 116 * (min(t, eps) - eps): cube root and straight part in one pass.
    border = np.float32(_EPSILON)
    curved = cv2.pow(np.maximum(flat, border), 1 / 3)
    curved = cv2.scaleAdd(np.minimum(flat, border), _KAPPA / 116, curved)
    lab = cv2.transform(curved.reshape(1, -1, 3), _F_TO_LAB)
    return np.asarray(lab, dtype=np.float32).reshape(relative.shape)


def linear_to_lab(linear: ArrayLike) -> Float32:
    """Return CIELAB (D65, 2 degrees) for linear sRGB that may leave 0..1.

    Parameters
    ----------
    linear : array_like (..., 3)

    Returns
    -------
    float32 (..., 3)
        L*, a*, b*, unclipped.
    """
    return relative_to_lab(transform(np.asarray(linear, dtype=np.float32), _LINEAR_TO_RELATIVE))


def lab_to_linear(lab: ArrayLike) -> Float64:
    """Return linear sRGB, possibly outside 0..1, for CIELAB (..., 3)."""
    value = np.asarray(lab, dtype=np.float64)
    fy = (value[..., 0] + 16) / 116
    f = np.stack([fy + value[..., 1] / 500, fy, fy - value[..., 2] / 200], axis=-1)
    relative = np.where(f**3 > _EPSILON, f**3, (116 * f - 16) / _KAPPA)
    linear: Float64 = relative @ _RELATIVE_TO_LINEAR.T
    return linear


def bradford(white_from: ArrayLike, white_to: ArrayLike) -> Float64:
    """Return the 3x3 matrix that adapts XYZ from one white point to another (Bradford)."""
    cone_from = _BRADFORD @ np.asarray(white_from, dtype=np.float64)
    cone_to = _BRADFORD @ np.asarray(white_to, dtype=np.float64)
    matrix: Float64 = np.linalg.inv(_BRADFORD) @ np.diag(cone_to / cone_from) @ _BRADFORD
    return matrix


def delta_e_2000(first: ArrayLike, second: ArrayLike) -> Float64:
    """Return the CIEDE2000 difference of two sets of CIELAB colors (kL = kC = kH = 1).

    Parameters
    ----------
    first, second : array_like (..., 3)
        Broadcast against each other.

    Returns
    -------
    float64 (...)

    Notes
    -----
    Steps and names follow Sharma, Wu and Dalal (2005), equations 2 to 22.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, dtype=np.float64), -1, 0)
    mean_chroma7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(mean_chroma7 / (mean_chroma7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    grey = c1 * c2 == 0
    dh = np.where(grey, 0.0, (h2 - h1 + 180) % 360 - 180)
    dh = np.where((dh == -180) & (h2 > h1), 180.0, dh)
    d_l, d_c, d_h = l2 - l1, c2 - c1, 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2)
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2
    total = h1 + h2
    wrapped = np.where(total < 360, total + 360, total - 360)
    h_mean = np.where(grey, total, np.where(np.abs(h1 - h2) <= 180, total, wrapped) / 2)
    t = (
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t
    turn = 30 * np.exp(-(((h_mean - 275) / 25) ** 2))
    r_t = -2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7)) * np.sin(np.radians(2 * turn))
    x, y, z = d_l / s_l, d_c / s_c, d_h / s_h
    return np.asarray(np.sqrt(x**2 + y**2 + z**2 + r_t * y * z), dtype=np.float64)
