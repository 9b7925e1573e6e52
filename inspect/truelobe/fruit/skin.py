"""How much skin each pixel stands for, and how squarely it faces the camera, from the fitted body."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.body import BodyFit
from truelobe.fruit.shape import make_grid

# Working size of the maps: skin area changes slowly over a pepper.
MAP_PX = 96
# Beyond about 78 degrees a fitted form no longer tells the true slope of a lobed rim; weights stop growing there.
LEAST_FACING = 0.2


@dataclass(frozen=True)
class SkinMap:
    """Skin behind the pixels of a pepper's box.

    Attributes
    ----------
    skin_mm2 : float32, shape (h, w)
        Skin area one pixel stands for; 0 outside the body.
    facing : float32, shape (h, w)
        Cosine between the skin's normal and the line to the camera, at least `LEAST_FACING` inside the body.
    whole_mm2 : float
        Skin of the whole fitted body, ends included.
    distance_mm : float
        From the camera to the fitted body's middle.
    """

    skin_mm2: NDArray[np.float32]
    facing: NDArray[np.float32]
    whole_mm2: float
    distance_mm: float = np.inf

    @property
    def seen_fraction(self) -> float:
        """Share of the whole skin that the photo shows."""
        return float(min(self.skin_mm2.sum() / self.whole_mm2, 1.0)) if self.whole_mm2 > 0 else 0.0


def map_skin(fit: BodyFit) -> SkinMap:
    """Return the skin maps of a fitted body over its silhouette's box."""
    x0, y0, x1, y1 = fit.silhouette.box
    height, width = y1 - y0, x1 - x0
    shrink = MAP_PX / max(height, width)
    grid = make_grid(33, 48)
    points = fit.seen(grid=grid).points[0]
    points = np.concatenate([points, points[:, :1]], axis=1)
    corners = np.stack([points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]], axis=2)
    centre = corners.mean(axis=2)
    vector = 0.5 * np.cross(corners[..., 2, :] - corners[..., 0, :], corners[..., 3, :] - corners[..., 1, :])
    area = np.linalg.norm(vector, axis=-1)
    outward = np.sum(vector * (centre - fit.seen().centre[0]), axis=-1) > 0
    normal = np.where(outward[..., None], vector, -vector) / np.maximum(area, 1e-12)[..., None]
    sight = -centre / np.linalg.norm(centre, axis=-1, keepdims=True)
    cosine = np.sum(normal * sight, axis=-1)
    pixels = (fit.view.project_camera(corners) - np.array([x0, y0]) + 0.5) * shrink - 0.5
    size = (max(round(height * shrink), 1), max(round(width * shrink), 1))
    distance = float(fit.seen().centre[0, 2])
    facing, depth = _drawn(pixels, cosine, centre[..., 2], size, distance)
    facing = np.where(fit.silhouette.body, np.maximum(_full(facing, (width, height)), LEAST_FACING), 0)
    footprint = (_full(depth, (width, height)) / fit.view.lens.focal_px) ** 2 / _stretch(fit, (width, height))
    skin_mm2 = np.where(fit.silhouette.body, footprint / np.maximum(facing, LEAST_FACING), 0).astype(np.float32)
    return SkinMap(skin_mm2, facing.astype(np.float32), float(area.sum()), distance)


def _full(small: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR), np.float32)


def _stretch(fit: BodyFit, size: tuple[int, int]) -> NDArray[np.float32]:
    """Length of each pixel's ray where it reaches depth one: a pixel off the axis sees a smaller solid angle."""
    x0, y0, _, _ = fit.silhouette.box
    lens = fit.view.lens
    x = (np.arange(size[0], dtype=np.float32) + np.float32(x0 - lens.cx)) / np.float32(lens.focal_px)
    y = (np.arange(size[1], dtype=np.float32) + np.float32(y0 - lens.cy)) / np.float32(lens.focal_px)
    return np.asarray(np.sqrt(1 + x[None, :] ** 2 + y[:, None] ** 2), np.float32)


def _drawn(
    pixels: NDArray[np.float64],
    cosine: NDArray[np.float64],
    depth: NDArray[np.float64],
    shape: tuple[int, int],
    beyond: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Paint the faces towards the camera with their cosine and depth; the uncovered rim is steep and `beyond`."""
    cosines, depths = np.full(shape, LEAST_FACING, np.float32), np.full(shape, beyond, np.float32)
    front = np.flatnonzero(cosine.ravel() > 0)
    quads = np.round(pixels.reshape(-1, 4, 2) * 16).astype(np.int32)
    values, far = cosine.ravel(), depth.ravel()
    for face in front[np.argsort(values[front])]:
        cv2.fillConvexPoly(cosines, quads[face], float(values[face]), cv2.LINE_8, 4)
        cv2.fillConvexPoly(depths, quads[face], float(far[face]), cv2.LINE_8, 4)
    return (
        np.asarray(cv2.GaussianBlur(cosines, (0, 0), 1.0), np.float32),
        np.asarray(cv2.GaussianBlur(depths, (0, 0), 1.0), np.float32),
    )
