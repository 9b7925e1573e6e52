"""A camera over a plate: its lens, its place, and the way between pixels and millimetres."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.camera.focal import FocalSource

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """A pinhole with radial distortion (OpenCV's model), in pixels of the upright photo."""

    focal_px: float
    cx: float
    cy: float
    k1: float
    k2: float
    u_focal_relative: float
    source: FocalSource

    @property
    def matrix(self) -> Floats:
        """The camera matrix, shape (3, 3)."""
        return np.array([[self.focal_px, 0, self.cx], [0, self.focal_px, self.cy], [0, 0, 1]], dtype=np.float64)

    @property
    def distortion(self) -> Floats:
        """Distortion coefficients k1, k2, p1, p2, k3, shape (5,)."""
        return np.array([self.k1, self.k2, 0.0, 0.0, 0.0])


@dataclass(frozen=True)
class View:
    """A lens and its pose over the card's plane.

    The card frame has its origin at the card's top-left corner, x right, y down, z into the table, in mm;
    heights above the card are negative z. The camera frame is OpenCV's: x right, y down, z forward.

    Attributes
    ----------
    rotation : float64, shape (3, 3)
    translation : float64, shape (3,)
        mm; a card point X lies at ``rotation @ X + translation`` in the camera frame.
    covariance : float64, shape (8, 8)
        Of (ln focal, k1, rotation vector, translation in mm), given the print scale.
    residual_px : float
        Root mean square distance between the card's corners and their projection.
    """

    lens: Lens
    rotation: Floats
    translation: Floats
    covariance: Floats = field(repr=False, default_factory=lambda: np.zeros((8, 8)))
    residual_px: float = 0.0

    @property
    def up(self) -> Floats:
        """The unit vector away from the table, in the camera frame, shape (3,)."""
        return -self.rotation[:, 2]

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the card's normal, degrees."""
        return float(np.degrees(np.arccos(np.clip(abs(self.rotation[2, 2]), 0.0, 1.0))))

    @property
    def height_mm(self) -> float:
        """Height of the camera over the card's plane, mm."""
        return float(abs(self.rotation[:, 2] @ self.translation))

    def project(self, points_mm: Floats) -> Floats:
        """Return pixels, shape (n, 2), of card-frame points, shape (n, 3), mm."""
        return self.project_camera(np.asarray(points_mm, dtype=np.float64) @ self.rotation.T + self.translation)

    def project_camera(self, points: Floats) -> Floats:
        """Return pixels, shape (..., 2), of camera-frame points, shape (..., 3), mm."""
        return self.distort(points[..., :2] / points[..., 2:3])

    def distort(self, xy: Floats) -> Floats:
        """Return pixels, shape (..., 2), of ideal image coordinates (x/z, y/z), shape (..., 2)."""
        r2 = np.sum(xy * xy, axis=-1, keepdims=True)
        bent = xy * (1 + self.lens.k1 * r2 + self.lens.k2 * r2 * r2)
        pixels: Floats = bent * self.lens.focal_px + np.array([self.lens.cx, self.lens.cy])
        return pixels

    def ideal(self, pixels: Floats) -> Floats:
        """Return ideal image coordinates (x/z, y/z), shape (n, 2), of pixels, shape (n, 2)."""
        points = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
        straight = cv2.undistortPoints(points, self.lens.matrix, self.lens.distortion)
        return np.asarray(straight, dtype=np.float64).reshape(-1, 2)

    def rays(self, pixels: Floats) -> Floats:
        """Return unit rays in the camera frame, shape (n, 3), of pixels, shape (n, 2)."""
        xy = self.ideal(pixels)
        rays = np.column_stack([xy, np.ones(len(xy))])
        unit: Floats = rays / np.linalg.norm(rays, axis=1, keepdims=True)
        return unit

    def on_plane(self, pixels: Floats, height_mm: float = 0.0) -> Floats:
        """Return camera-frame points, shape (n, 3), mm, where pixels meet a plane above the card's."""
        rays = self.rays(pixels)
        reach = (self.up @ self.translation + height_mm) / (rays @ self.up)
        points: Floats = rays * reach[:, None]
        return points

    def plane_height(self, points: Floats) -> Floats:
        """Return the height above the card's plane, mm, of camera-frame points, shape (..., 3)."""
        heights: Floats = (points - self.translation) @ self.up
        return heights

    def moved(self, step: Floats) -> View:
        """Return the view after a small step in (ln focal, k1, rotation vector, translation), shape (8,)."""
        lens = replace(
            self.lens, focal_px=self.lens.focal_px * float(np.exp(step[0])), k1=self.lens.k1 + float(step[1])
        )
        turn = np.asarray(cv2.Rodrigues(cv2.Rodrigues(self.rotation)[0].ravel() + step[2:5])[0], dtype=np.float64)
        return replace(self, lens=lens, rotation=turn, translation=self.translation + step[5:8])

    def document(self) -> dict[str, Any]:
        """Return the camera as it stands in a measurement document."""
        return {
            "matrix": self.lens.matrix.tolist(),
            "distortion": self.lens.distortion.tolist(),
            "rotation": self.rotation.tolist(),
            "translation_mm": self.translation.tolist(),
            "tilt_deg": self.tilt_deg,
            "u_focal_relative": self.lens.u_focal_relative,
            "residual_px": self.residual_px,
        }
