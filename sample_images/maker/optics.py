"""The camera that takes the picture, and the lights, free of any renderer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Camera:
    """A pinhole with OpenCV's five distortion terms (k1, k2, p1, p2, k3); pixel centres at whole numbers."""

    width: int
    height: int
    matrix: Floats  # (3, 3)
    distortion: Floats  # (5,)
    rotation: Floats  # (3, 3) world to camera (x right, y down, z forward)
    translation: Floats  # (3,) mm
    focal_35mm: float  # what the file says

    def to_camera(self, points: Floats) -> Floats:
        """World points (N, 3) in the camera's frame."""
        return points @ self.rotation.T + self.translation

    @property
    def place(self) -> Floats:
        """The camera's centre in the world (3,), mm."""
        return -self.rotation.T @ self.translation

    def project(self, points: Floats) -> tuple[Floats, Floats]:
        """World points (N, 3) to pixels (N, 2) and depth (N,)."""
        local = self.to_camera(points)
        depth = local[:, 2]
        safe = np.where(depth > 1, depth, np.nan)
        flat = distort(local[:, :2] / safe[:, None], self.distortion)
        return flat * [self.matrix[0, 0], self.matrix[1, 1]] + self.matrix[:2, 2], depth

    def enlarged(self, factor: int) -> Camera:
        """The same view on a raster `factor` times as fine."""
        matrix = self.matrix.copy()
        matrix[:2, :2] *= factor
        matrix[:2, 2] = (self.matrix[:2, 2] + 0.5) * factor - 0.5
        return Camera(
            self.width * factor,
            self.height * factor,
            matrix,
            self.distortion,
            self.rotation,
            self.translation,
            self.focal_35mm,
        )


@dataclass(frozen=True)
class Panel:
    """A rectangle that shines (window, tube, lamp shade)."""

    centre: Floats
    target: Floats
    width: float
    height: float
    radiance: Floats


@dataclass(frozen=True)
class Lighting:
    """Panels, and the dim room around as a latitude-longitude picture (h, w, 3) of radiance."""

    kind: str
    panels: tuple[Panel, ...]
    room: Floats


def distort(flat: Floats, k: Floats) -> Floats:
    """OpenCV's distortion of normalised image points (N, 2)."""
    x, y = flat[:, 0], flat[:, 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (k[0] + r2 * (k[1] + r2 * k[4]))
    return np.stack(
        [
            x * radial + 2 * k[2] * x * y + k[3] * (r2 + 2 * x * x),
            y * radial + k[2] * (r2 + 2 * y * y) + 2 * k[3] * x * y,
        ],
        axis=-1,
    )


def undistort(flat: Floats, k: Floats) -> Floats:
    """The inverse of `distort`, by fixed-point steps."""
    guess = flat.copy()
    for _ in range(12):
        guess = guess - (distort(guess, k) - flat)
    return guess


def look(
    *,
    target: Floats,
    distance: float,
    tilt: float,
    heading: float,
    roll: float,
    width: int,
    height: int,
    focal_px: float,
    distortion: Floats | None = None,
    centre_offset: tuple[float, float] = (0.0, 0.0),
    focal_35mm: float = 26.0,
) -> Camera:
    """A camera aimed at `target` from `distance` mm, `tilt` rad from straight down, rolled about its axis."""
    away = np.array([np.sin(tilt) * np.cos(heading), np.sin(tilt) * np.sin(heading), np.cos(tilt)])
    forward = -away
    side = np.array([-np.sin(heading), np.cos(heading), 0.0])
    down = np.cross(forward, side)
    c, s = np.cos(roll), np.sin(roll)
    rotation = np.stack([c * side + s * down, -s * side + c * down, forward])
    matrix = np.array(
        [
            [focal_px, 0, (width - 1) / 2 + centre_offset[0]],
            [0, focal_px, (height - 1) / 2 + centre_offset[1]],
            [0, 0, 1.0],
        ]
    )
    return Camera(
        width,
        height,
        matrix,
        np.zeros(5) if distortion is None else distortion,
        rotation,
        -rotation @ (target + away * distance),
        focal_35mm,
    )
