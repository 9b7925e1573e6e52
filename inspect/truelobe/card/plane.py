"""From the card's plane to the picture: a homography with one term of lens distortion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

# Standard deviation of phones' residual distortion at the picture's corner; only keeps the fit from running away
_PRIOR_K = 0.1


@dataclass(frozen=True)
class Plane:
    """Where points of the card lie in the picture.

    Attributes
    ----------
    matrix : ndarray of float64, shape (3, 3)
        Homography from card millimetres to undistorted picture coordinates (relative to `centre`, in `radius`).
    k : float
        Radial distortion: a point at distance r from the centre, in units of `radius`, moves to r (1 + k r^2).
    centre : tuple of float
        Middle of the picture, px.
    radius : float
        Half the picture's diagonal, px.
    """

    matrix: NDArray[np.float64]
    k: float
    centre: tuple[float, float]
    radius: float

    def project(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the picture positions of card points; any shape (..., 2)."""
        points = np.asarray(points_mm, dtype=float)
        moved = points @ self.matrix[:, :2].T + self.matrix[:, 2]
        flat = moved[..., :2] / moved[..., 2:]
        bent = flat * (1 + self.k * (flat**2).sum(axis=-1, keepdims=True))
        result: NDArray[np.float64] = bent * self.radius + np.asarray(self.centre)
        return result

    def stretch(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the derivative of `project`, px per mm, shape (..., 2, 2): rows x and y, columns card x and y."""
        step = 0.5
        columns = [
            (self.project(points_mm + shift) - self.project(points_mm - shift)) / (2 * step)
            for shift in (np.array([step, 0.0]), np.array([0.0, step]))
        ]
        return np.stack(columns, axis=-1)

    def px_per_mm(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the scale along the most foreshortened direction, shape (...,)."""
        return np.asarray(np.linalg.svd(self.stretch(points_mm), compute_uv=False)[..., -1], dtype=np.float64)


def fit_plane(points_mm: NDArray[np.float64], points_px: NDArray[np.float64], size_px: tuple[int, int]) -> Plane:
    """Fit homography and distortion to matching points by least squares in the picture.

    Parameters
    ----------
    points_mm, points_px : ndarray of float64, shape (N, 2), N >= 4
    size_px : tuple of int
        Width and height of the picture.
    """
    centre = ((size_px[0] - 1) / 2, (size_px[1] - 1) / 2)
    radius = float(np.hypot(*size_px)) / 2
    target = (np.asarray(points_px, dtype=float) - centre) / radius
    middle, spread = points_mm.mean(axis=0), float(np.ptp(points_mm, axis=0).max())
    to_unit = np.array([[1 / spread, 0, -middle[0] / spread], [0, 1 / spread, -middle[1] / spread], [0, 0, 1]])
    unit = (points_mm - middle) / spread
    start: Any = cv2.findHomography(unit, target, 0)[0]
    if start is None:
        start = np.eye(3)
    # what corners scatter by, against the prior of k: the data speak wherever they can
    noise = 0.05 / radius

    def errors(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        trial = Plane(np.append(parameters[:8], 1.0).reshape(3, 3), parameters[8], (0.0, 0.0), 1.0)
        return np.append((trial.project(unit) - target).ravel() / noise, parameters[8] / _PRIOR_K)

    first = np.append((start / start[2, 2]).ravel()[:8], 0.0)
    best = least_squares(errors, first, method="lm").x
    return Plane(np.append(best[:8], 1.0).reshape(3, 3) @ to_unit, float(best[8]), centre, radius)
