"""What a photo's colour profile means: a matrix to linear sRGB and a curve for each channel, or neither.

ICC.1:2010 (ISO 15076-1). Colorants in a profile are relative to its connection space's white, D50; two sets of
them differ by one matrix in linear light, with no adaptation left to do.
"""

from __future__ import annotations

import struct
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms


@lru_cache(maxsize=1)
def srgb_curve() -> NDArray[np.float32]:
    """Return linear light for each byte (IEC 61966-2-1), float32 of shape (256,); not to be written to.

    >>> float(srgb_curve()[128].round(5))
    0.21586
    """
    byte = np.arange(256) / 255
    light = np.where(byte <= 0.04045, byte / 12.92, ((byte + 0.055) / 1.055) ** 2.4).astype(np.float32)
    light.setflags(write=False)
    return light


def converted(image: Image.Image, source: ImageCms.ImageCmsProfile) -> Image.Image:
    """Return a picture converted to sRGB bytes, relative colorimetric; colours outside sRGB are cut."""
    result = ImageCms.profileToProfile(
        image,
        source,
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode="RGB",
    )
    if result is None:  # only with inPlace=True, which is not asked for
        raise ImageCms.PyCMSError("no picture")
    return result


def matrix(source: ImageCms.ImageCmsProfile) -> NDArray[np.float64] | None:
    """Return the matrix from a profile's linear light to linear sRGB, or None when it is not a matrix profile.

    Returns
    -------
    ndarray of float64, shape (3, 3), or None
        Exactly the identity for sRGB itself. White stays white.
    """
    own, srgb = _colorants(source), _colorants(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")))
    if own is None or srgb is None or abs(np.linalg.det(own)) < 1e-4:
        return None
    result = np.linalg.solve(srgb, own).astype(np.float64)
    return np.eye(3) if np.abs(result - np.eye(3)).max() < 0.003 else result  # profile numbers have 4 digits


def _colorants(source: ImageCms.ImageCmsProfile) -> NDArray[np.float64] | None:
    core = source.profile
    if not core.is_matrix_shaper:
        return None
    columns = [core.red_colorant, core.green_colorant, core.blue_colorant]
    if any(column is None for column in columns):
        return None
    return np.array([column[0] for column in columns if column is not None], dtype=np.float64).T


def byte_curve(curves: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return the table that turns bytes of these curves into bytes of the sRGB curve, shape (256, 1, 3)."""
    light = np.clip(curves, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    table: NDArray[np.uint8] = np.rint(255 * encoded).astype(np.uint8).reshape(256, 1, 3)
    return table


def curves(profile: bytes) -> NDArray[np.float64] | None:
    """Return linear light for each byte and channel, or None where a curve is of no known kind.

    Parameters
    ----------
    profile : bytes
        The whole profile; the tags rTRC, gTRC and bTRC are read (ICC.1:2010, 10.5 and 10.15).

    Returns
    -------
    ndarray of float64, shape (256, 3), or None
    """
    count = struct.unpack_from(">I", profile, 128)[0]
    tags = {}
    for i in range(min(count, 200)):
        name, start, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        tags[name] = profile[start : start + size]
    with np.errstate(all="ignore"):  # a broken curve shows as not finite
        found = [_curve(tags.get(name, b"")) for name in (b"rTRC", b"gTRC", b"bTRC")]
    known = [curve for curve in found if curve is not None and np.isfinite(curve).all()]
    return np.stack(known, axis=1) if len(known) == 3 else None


def _curve(tag: bytes) -> NDArray[np.float64] | None:
    x = np.arange(256) / 255
    if tag[:4] == b"curv":
        count = struct.unpack_from(">I", tag, 8)[0]
        values = np.frombuffer(tag, ">u2", min(count, 65536), 12).astype(float)
        if count == 0:
            return x
        if count == 1:
            return np.asarray(x ** float(values[0] / 256), dtype=np.float64)
        return np.asarray(np.interp(x, np.linspace(0, 1, len(values)), values / 65535))
    if tag[:4] == b"para":
        kind = struct.unpack_from(">H", tag, 8)[0]
        if kind > 4:
            return None
        terms = (1, 3, 4, 5, 7)[kind]
        g, a, b, c, d, e, f = [v / 65536 for v in struct.unpack_from(f">{terms}i", tag, 12)] + [0.0] * (7 - terms)
        return _parametric(x, kind, g, a, b, c, d, e, f)
    return None


def _parametric(
    x: NDArray[np.float64], kind: int, g: float, a: float, b: float, c: float, d: float, e: float, f: float
) -> NDArray[np.float64]:
    """Table 65 of ICC.1:2010: five forms of (a x + b)^g with a straight start."""
    if kind == 0:
        return np.asarray(x**g)
    power = np.maximum(a * x + b, 0) ** g
    if kind in (1, 2):
        start = -b / a if a else 0.0
        return np.where(x >= start, power + (c if kind == 2 else 0), c if kind == 2 else 0)
    return np.where(x >= d, power + (e if kind == 4 else 0), c * x + (f if kind == 4 else 0))
