"""Color arithmetic for the maker: sRGB curve, CIELAB under D65, light of a given temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

# IEC 61966-2-1 primaries to CIE XYZ (D65).
SRGB_TO_XYZ = np.array(
    [[0.4123908, 0.3575843, 0.1804808], [0.2126390, 0.7151687, 0.0721923], [0.0193308, 0.1191948, 0.9505322]]
)
P3_TO_XYZ = np.array(
    [[0.4865709, 0.2656677, 0.1982173], [0.2289746, 0.6917385, 0.0792869], [0.0, 0.0451134, 1.0439444]]
)
WHITE = SRGB_TO_XYZ.sum(axis=1)


def decode(encoded: Floats) -> Floats:
    """sRGB-curve values 0..1 to linear."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encode(linear: Floats) -> Floats:
    """Linear values to the sRGB curve, clipped to 0..1."""
    clipped = np.clip(linear, 0, 1)
    return np.where(clipped <= 0.0031308, clipped * 12.92, 1.055 * clipped ** (1 / 2.4) - 0.055)


def from_bytes(*rgb: float) -> NDArray[np.float64]:
    """Linear reflectance of an sRGB byte color."""
    return np.asarray(decode(np.array(rgb, float) / 255))


def lab(linear: Floats) -> Floats:
    """Linear sRGB (..., 3) to CIELAB (..., 3), D65."""
    ratio = linear @ SRGB_TO_XYZ.T / WHITE
    root = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def unlab(values: Floats) -> Floats:
    """CIELAB (..., 3) to linear sRGB (..., 3); may leave 0..1."""
    y = (values[..., 0] + 16) / 116
    root = np.stack([y + values[..., 1] / 500, y, y - values[..., 2] / 200], axis=-1)
    ratio = np.where(root > 6 / 29, root**3, (116 * root - 16) * 27 / 24389)
    return ratio * WHITE @ np.linalg.inv(SRGB_TO_XYZ).T


def along(linear: Floats, unripe: Floats, ripe: Floats) -> Floats:
    """Where colors lie between two others in a*, b*: 0 at `unripe`, 1 at `ripe`, 0.5 equally far from both."""
    start, end = lab(unripe)[1:], lab(ripe)[1:]
    way = end - start
    return np.clip((lab(linear)[..., 1:] - start) @ way / (way @ way), 0, 1)


def of_temperature(kelvin: float, tint: float = 0.0) -> NDArray[np.float64]:
    """Linear sRGB of a black body's light, mean 1.

    Cubic approximation of the Planckian locus by Kim et al. (US patent 7024034, 2006).
    `tint` moves the y chromaticity (greenish above 0).
    """
    t = kelvin
    if t < 4000:
        x = -0.2661239e9 / t**3 - 0.2343589e6 / t**2 + 0.8776956e3 / t + 0.179910
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        x = -3.0258469e9 / t**3 + 2.1070379e6 / t**2 + 0.2226347e3 / t + 0.240390
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    y += tint
    rgb = np.linalg.inv(SRGB_TO_XYZ) @ np.array([x / y, 1.0, (1 - x - y) / y])
    rgb = np.clip(rgb, 0.02, None)
    return np.asarray(rgb / rgb.mean())


def ciede2000(first: Floats, second: Floats) -> Floats:
    """Color difference of CIELAB colors (..., 3) (CIE 142-2001; formula as in Sharma, Wu & Dalal 2005)."""
    l1, a1, b1 = np.moveaxis(np.asarray(first, float), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, float), -1, 0)
    c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(c7 / (c7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    colourless = c1 * c2 == 0
    dh = np.where(colourless, 0, (h2 - h1 + 180) % 360 - 180)
    total = h1 + h2
    mean_h = np.where(
        np.abs(h1 - h2) <= 180, total / 2, np.where(total < 360, (total + 360) / 2, (total - 360) / 2)
    )
    mean_h = np.where(colourless, total, mean_h)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    big_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh) / 2)
    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    sl = 1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2)
    sc, sh = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    rc = 2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    rt = -np.sin(np.radians(60 * np.exp(-(((mean_h - 275) / 25) ** 2)))) * rc
    dl, dc, dh_ = (l2 - l1) / sl, (c2 - c1) / sc, big_h / sh
    return np.sqrt(dl**2 + dc**2 + dh_**2 + rt * dc * dh_)
