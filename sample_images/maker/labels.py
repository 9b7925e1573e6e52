"""Exact label maps of a scene: which pepper, and which part of it, each pixel shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .optics import Camera
from .raster import rasterise
from .scene import Scene

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Labels:
    """Rasters of a scene as the camera sees it.

    Attributes
    ----------
    fruit : uint8 (H, W)
        0 none, else the pepper's number from 1.
    part : uint8 (H, W)
        0 none, 1 body, 2 calyx, 3 stem.
    face : int32 (H, W)
        Face number within that pepper's own mesh, -1 elsewhere.
    depth : float32 (H, W)
        Along the view axis, mm; infinite where only table is.
    """

    fruit: NDArray[np.uint8]
    part: NDArray[np.uint8]
    face: NDArray[np.int32]
    depth: NDArray[np.float32]


def label(scene: Scene, factor: int = 1) -> Labels:
    """Rasterise the scene's peppers and everything that can hide them, `factor` times as fine as the photo."""
    camera = scene.camera.enlarged(factor)
    height, width = camera.height, camera.width
    fruit = np.zeros((height, width), np.uint8)
    part = np.zeros((height, width), np.uint8)
    face = np.full((height, width), -1, np.int32)
    near = np.full((height, width), np.inf, np.float32)
    for thing in scene.things:
        if thing.texture is None:
            sight, y0, x0 = _cropped(camera, thing.vertices, thing.faces)
            window = near[y0 : y0 + sight.depth.shape[0], x0 : x0 + sight.depth.shape[1]]
            np.minimum(window, sight.depth, out=window)
    for number, placed in enumerate(scene.fruit, start=1):
        sight, y0, x0 = _cropped(camera, placed.vertices, placed.model.faces)
        rows, columns = slice(y0, y0 + sight.depth.shape[0]), slice(x0, x0 + sight.depth.shape[1])
        closer = sight.depth < near[rows, columns]
        near[rows, columns][closer] = sight.depth[closer]
        fruit[rows, columns][closer] = number
        part[rows, columns][closer] = placed.model.face_part[sight.face[closer]] + 1
        face[rows, columns][closer] = sight.face[closer]
    return Labels(fruit, part, face, near)


def alone(camera: Camera, vertices: Floats, faces: NDArray[np.int32]) -> tuple[Any, int, int]:
    """One body's own raster, nothing in front of it: (sight, top row, left column)."""
    return _cropped(camera, vertices, faces)


def _cropped(camera: Camera, vertices: Floats, faces: NDArray[np.int32]) -> tuple[Any, int, int]:
    pixels, depth = camera.project(vertices)
    ahead = np.isfinite(pixels).all(axis=1)
    if not ahead.any():
        return rasterise(np.zeros((3, 2)), np.zeros(3), np.zeros((0, 3), np.int32), 1, 1), 0, 0
    low = np.clip(np.floor(pixels[ahead].min(axis=0)) - 1, 0, [camera.width - 1, camera.height - 1]).astype(int)
    high = np.clip(np.ceil(pixels[ahead].max(axis=0)) + 1, 0, [camera.width - 1, camera.height - 1]).astype(int)
    size = high - low + 1
    return rasterise(pixels - low, depth, faces, int(size[0]), int(size[1])), int(low[1]), int(low[0])
