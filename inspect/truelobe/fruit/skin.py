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
    facing = _drawn(pixels, cosine, (max(round(height * shrink), 1), max(round(width * shrink), 1)))
    distance = fit.seen().centre[0, 2]
    full = np.asarray(cv2.resize(facing, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)
    facing = np.where(fit.silhouette.body, np.maximum(full, LEAST_FACING), 0).astype(np.float32)
    # A pixel's cone meets the skin at the form's own depth, nearer than the centre by about half the body.
    depth = distance - 0.5 * np.exp(fit.theta[4]) * facing * 0.9
    footprint = (depth / fit.view.lens.focal_px) ** 2
    skin_mm2 = np.where(fit.silhouette.body, footprint / np.maximum(facing, LEAST_FACING), 0).astype(np.float32)
    return SkinMap(skin_mm2, facing, float(area.sum()), float(distance))


def _drawn(
    pixels: NDArray[np.float64], cosine: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float32]:
    """Paint the faces towards the camera with their cosine, then fill the uncovered rim from its neighbours."""
    canvas = np.full(shape, -1.0, np.float32)
    front = np.flatnonzero(cosine.ravel() > 0)
    quads = np.round(pixels.reshape(-1, 4, 2) * 16).astype(np.int32)
    values = cosine.ravel()
    for face in front[np.argsort(values[front])]:
        cv2.fillConvexPoly(canvas, quads[face], float(values[face]), cv2.LINE_8, 4)
    empty = (canvas < 0).astype(np.uint8)
    canvas[empty > 0] = LEAST_FACING
    return np.asarray(cv2.GaussianBlur(canvas, (0, 0), 1.0), np.float32)
