"""A depth-buffered rasteriser in numpy: which face each pixel sees, exactly as the recorded camera projects it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
CHUNK = 1_000_000


@dataclass(frozen=True)
class Sight:
    """What a raster saw: face number (-1 nothing) and depth (mm along the view axis) per pixel."""

    face: NDArray[np.int32]
    depth: NDArray[np.float32]


def rasterise(pixels: Floats, depth: Floats, faces: NDArray[np.int32], width: int, height: int) -> Sight:
    """Fill triangles given by projected vertices.

    Parameters
    ----------
    pixels : (V, 2)
        Projected vertices; pixel centres at whole numbers.
    depth : (V,)
        Distance along the view axis, positive in front.
    faces : int32 (F, 3)
    """
    face_map = np.full(width * height, -1, np.int32)
    nearness = np.zeros(width * height, np.float64)
    corner = pixels[faces]
    ahead = (depth[faces] > 1.0).all(axis=1) & np.isfinite(corner).all(axis=(1, 2))
    low = np.maximum(np.ceil(corner.min(axis=1) - 1e-9), 0)
    high = np.minimum(np.floor(corner.max(axis=1) + 1e-9), [width - 1, height - 1])
    size = high - low + 1
    keep = np.flatnonzero(ahead & (size > 0).all(axis=1))
    planes, solid = _planes(corner[keep], 1 / depth[faces[keep]])
    keep, planes = keep[solid], planes[solid]
    low, size = low[keep].astype(np.int64), size[keep].astype(np.int64)
    count = size[:, 0] * size[:, 1]
    ends = np.cumsum(count)
    start = 0
    while start < len(keep):
        base = ends[start - 1] if start else 0
        stop = max(int(np.searchsorted(ends, base + CHUNK, side="right")), start + 1)
        part = slice(start, stop)
        _fill(face_map, nearness, keep[part].astype(np.int32), planes[part], low[part], size[part], width)
        start = stop
    with np.errstate(divide="ignore"):
        near = (1 / nearness).astype(np.float32)
    return Sight(face_map.reshape(height, width), near.reshape(height, width))


def _planes(corner: Floats, inverse: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Per triangle, the linear functions c0 + cx x + cy y of two barycentric coordinates and of inverse depth.

    Returns
    -------
    (N, 3, 3) coefficients; (N,) whether the triangle has an area on the raster.
    """
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    ab, ac = b - a, c - a
    area = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    solid = np.abs(area) > 1e-12
    scale = 1 / np.where(solid, area, 1)
    ux, uy = ac[:, 1] * scale, -ac[:, 0] * scale
    vx, vy = -ab[:, 1] * scale, ab[:, 0] * scale
    u0, v0 = -(ux * a[:, 0] + uy * a[:, 1]), -(vx * a[:, 0] + vy * a[:, 1])
    du, dv = inverse[:, 1] - inverse[:, 0], inverse[:, 2] - inverse[:, 0]
    rows = [[u0, ux, uy], [v0, vx, vy], [inverse[:, 0] + du * u0 + dv * v0, du * ux + dv * vx, du * uy + dv * vy]]
    return np.moveaxis(np.array(rows), 2, 0), solid


def _fill(
    face_map: NDArray[np.int32],
    nearness: Floats,
    which: NDArray[np.int32],
    planes: Floats,
    low: NDArray[np.int64],
    size: NDArray[np.int64],
    width: int,
) -> None:
    count = size[:, 0] * size[:, 1]
    row = np.repeat(np.arange(len(which)), count)
    offset = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    down = offset // size[row, 0]
    x = low[row, 0] + offset - down * size[row, 0]
    y = low[row, 1] + down
    u = planes[:, 0, 0][row] + planes[:, 0, 1][row] * x + planes[:, 0, 2][row] * y
    v = planes[:, 1, 0][row] + planes[:, 1, 1][row] * x + planes[:, 1, 2][row] * y
    inside = np.flatnonzero((u >= -1e-7) & (v >= -1e-7) & (u + v <= 1 + 1e-7))
    row, x, y = row[inside], x[inside], y[inside]
    inverse = planes[row, 2, 0] + planes[row, 2, 1] * x + planes[row, 2, 2] * y
    pixel = y * width + x
    np.maximum.at(nearness, pixel, inverse)
    first = inverse == nearness[pixel]
    face_map[pixel[first]] = which[row[first]]
