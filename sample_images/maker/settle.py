"""How fruit come to rest: a stable pose each, and where they touch the plate and each other. No dynamics."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter
from scipy.spatial import ConvexHull

from .mesh import Floats, rotation_between
from .model import BODY, FruitModel
from .raster import rasterise

FAR = 10_000.0
LYING, STANDING, UPSIDE_DOWN = "lying", "standing", "upside down"


def rest(model_vertices: Floats, up: Floats, heavy: Floats) -> Floats:
    """Roll a body, from where `up` (body frame) points up, down to the nearest stable pose.

    The height of the centre of mass over the table is the support of the convex hull in the direction down;
    the body rolls down that height until it stays.

    Returns
    -------
    (3, 3) rotation from the body's frame to the world's.
    """
    sample = model_vertices[:: max(1, len(model_vertices) // 8000)]
    arms = sample[ConvexHull(sample).vertices] - heavy
    up = up / np.linalg.norm(up)
    step = 0.06
    height = -(arms @ up).min()
    for _ in range(600):
        lowest = arms[int(np.argmin(arms @ up))]
        pull = lowest - (lowest @ up) * up
        length = np.linalg.norm(pull)
        if length < 1e-6 or step < 1e-4:
            break
        trial = up + step * pull / length
        trial /= np.linalg.norm(trial)
        now = -(arms @ trial).min()
        if now < height:
            up, height = trial, now
        else:
            step *= 0.6
    return rotation_between(up, np.array([0.0, 0, 1]))


def centre_of_mass(model: FruitModel) -> Floats:
    """The centre of the body's skin: a pepper is a shell."""
    points = model.vertices[np.unique(model.faces[model.face_part == BODY])]
    middle: Floats = points.mean(axis=0)
    return middle


def starting_up(rng: np.random.Generator, pose: str) -> Floats:
    """A direction of the body's frame that shall point up at first: +z is the stem."""
    loose = rng.normal(size=3) * 0.08
    if pose == STANDING:
        return np.array([0, 0, 1.0]) + loose
    if pose == UPSIDE_DOWN:
        return np.array([0, 0, -1.0]) + loose
    if pose == "any":
        return rng.normal(size=3)
    angle = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(angle), np.sin(angle), rng.uniform(-0.3, 0.3)]) + loose


def pose_of(rotation: Floats) -> str:
    """What a pose is called: within 45 degrees of the table lying, else standing or upside down."""
    rise = float(rotation[2, 2])
    if abs(rise) < np.sin(np.pi / 4):
        return LYING
    return STANDING if rise > 0 else UPSIDE_DOWN


class Pile:
    """The height of everything lying so far, on a grid of 1 mm, into which bodies are lowered straight down."""

    def __init__(self, half: int = 330) -> None:
        self.half = half
        y, x = np.mgrid[-half : half + 1, -half : half + 1]
        self.x, self.y = x.astype(float), y.astype(float)
        self.top = np.zeros(x.shape)

    def raise_to(self, heights: Floats) -> None:
        """Put a surface down, given as heights on the grid."""
        self.top = np.maximum(self.top, heights)

    def lowest(self, under: NDArray[Any], x: int, y: int) -> float:
        """The lowest height that a body with underside `under` (odd square, nan outside) can take at x, y."""
        r = under.shape[0] // 2
        i, j = y + self.half, x + self.half
        if i - r < 0 or j - r < 0 or i + r + 1 > self.top.shape[0] or j + r + 1 > self.top.shape[1]:
            return float("inf")
        return float(np.nanmax(self.top[i - r : i + r + 1, j - r : j + r + 1] - under))

    def add(self, over: NDArray[Any], x: int, y: int, z: float) -> None:
        """Leave a body with top side `over` at x, y, raised by z."""
        r = over.shape[0] // 2
        i, j = y + self.half, x + self.half
        window = self.top[i - r : i + r + 1, j - r : j + r + 1]
        np.fmax(window, over + z, out=window)

    def touching(
        self, under: NDArray[Any], start: tuple[float, float], direction: float, floor: float
    ) -> tuple[int, int] | None:
        """Slide a body from far towards `start` until the next step would push it off the floor."""
        last = None
        for away in range(220, 10, -1):
            x, y = round(start[0] + away * np.cos(direction)), round(start[1] + away * np.sin(direction))
            if self.lowest(under, x, y) > floor + 0.15:
                return last if away < 219 else None
            last = (x, y)
        return last


def sides(vertices: Floats, faces: NDArray[np.int32]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Underside (a cell generous) and top side of a body on a 1 mm grid about its origin, nan outside."""
    r = int(np.ceil(np.abs(vertices[:, :2]).max())) + 2
    pixels = vertices[:, :2] + r
    below = rasterise(pixels, FAR + vertices[:, 2], faces, 2 * r + 1, 2 * r + 1).depth - FAR
    above = FAR - rasterise(pixels, FAR - vertices[:, 2], faces, 2 * r + 1, 2 * r + 1).depth
    below = np.where(np.isfinite(below), below, np.inf).astype(float)
    below = minimum_filter(below, 3)
    return np.where(np.isfinite(below), below, np.nan), np.where(np.isfinite(above), above, np.nan).astype(float)
