"""Training pictures for the pepper network: one pepper a view, slope of its skin, its axis and its size.

Cut out of the scenes of `training`, of the same trace; one file a scene (`slopes_00000123.npz`), n views of
`VIEW_PX` pixels a side, the pepper's box `FRUIT_PX` long:
`radiance` float16 (n, VIEW_PX, VIEW_PX, 3) linear; `mask` uint8, 1 where body or calyx of this pepper shows;
`normal` int8 (..., 2), the unit normal's parts across and down as the line of sight sees it, in 127ths; `weight`
uint8, 1 where skin shows and the slope counts. The cosine to the camera follows from the two parts. `axis` float32
(n, 3), the unit vector towards the stem end: across, down, and away along the line of sight to the view's middle.
`size` float32 (n, 2), ln of greatest diameter and length in view pixels, as they are at the pepper's middle.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from .labels import Labels
from .mesh import face_normals
from .model import BODY
from .scene import Scene
from .truth import size_of

VIEW_PX, FRUIT_PX = 192, 120
# Smaller ones show no lobes; what is mostly hidden has no outline to go by.
LEAST_BOX_PX, LEAST_SHOWN = 72, 0.35
LAYERS = ("radiance", "mask", "normal", "weight", "axis", "size")


def slope_views(scene: Scene, labels: Labels, radiance: NDArray[np.float32]) -> dict[str, NDArray[Any]]:
    """Cut every pepper that shows well out of a traced scene.

    Parameters
    ----------
    scene : Scene
    labels : Labels
        Of the scene as its camera sees it.
    radiance : float32, shape (H, W, 3)
    """
    radiance = np.minimum(radiance, 60.0)
    views: dict[str, list[NDArray[Any]]] = {name: [] for name in LAYERS}
    for number in range(1, len(scene.fruit) + 1):
        shown = (labels.fruit == number) & (labels.part <= 2)
        if not shown.any():
            continue
        rows, columns = np.flatnonzero(shown.any(axis=1)), np.flatnonzero(shown.any(axis=0))
        low, high = np.array([columns[0], rows[0]]), np.array([columns[-1], rows[-1]])
        side = int((high - low).max()) + 1
        cut = low.min() <= 0 or (high >= np.array([labels.fruit.shape[1], labels.fruit.shape[0]]) - 1).any()
        if side < LEAST_BOX_PX or cut or shown.sum() < LEAST_SHOWN * side**2 * 0.6:
            continue
        skin = (labels.fruit == number) & (labels.part == BODY + 1)
        zoom = FRUIT_PX / side
        middle = (low + high) / 2
        view = np.array([[zoom, 0.0], [0.0, zoom]])
        affine = np.column_stack([view, (VIEW_PX - 1) / 2 - view @ middle])
        views["radiance"].append(_warped(radiance, affine, zoom).astype(np.float16))
        views["mask"].append((_warped(shown.astype(np.float32), affine, zoom) > 0.5).astype(np.uint8))
        normal, weight = _normals(scene, labels, number, skin)
        kept = _warped(weight, affine, zoom)
        parts = _warped(normal, affine, zoom) / np.maximum(kept, 1e-3)[..., None]
        views["normal"].append(np.round(np.clip(parts, -1, 1) * 127).astype(np.int8))
        views["weight"].append((kept > 0.6).astype(np.uint8))
        views["axis"].append(_axis(scene, number, middle))
        views["size"].append(_size(scene, number, zoom))
    shapes = {
        "radiance": (0, VIEW_PX, VIEW_PX, 3),
        "normal": (0, VIEW_PX, VIEW_PX, 2),
        "axis": (0, 3),
        "size": (0, 2),
    }
    return {
        name: np.stack(found) if found else np.zeros(shapes.get(name, (0, VIEW_PX, VIEW_PX)), np.uint8)
        for name, found in views.items()
    }


def _axis(scene: Scene, number: int, middle: NDArray[np.float64]) -> NDArray[np.float32]:
    """The axis towards the stem end, as the line of sight to the view's middle sees it (3,)."""
    camera = scene.camera
    ray = np.append((middle - camera.matrix[:2, 2]) / camera.matrix[[0, 1], [0, 1]], 1.0)
    ray /= np.linalg.norm(ray)
    axis = camera.rotation @ scene.fruit[number - 1].rotation[:, 2]
    away = float(np.clip(axis @ ray, -1.0, 1.0))
    across = (axis - away * ray)[:2]
    across *= np.sqrt(1 - away**2) / max(float(np.linalg.norm(across)), 1e-9)
    return np.array([*across, away], np.float32)


def _size(scene: Scene, number: int, zoom: float) -> NDArray[np.float32]:
    """Greatest diameter and length as ln of view pixels (2,)."""
    placed, camera = scene.fruit[number - 1], scene.camera
    away = float((camera.rotation @ (placed.position - camera.place))[2])
    size = size_of(placed.model)
    both = np.array([size["diameter_greatest_mm"], size["length_mm"]])
    return np.asarray(np.log(both * camera.matrix[0, 0] / away * zoom), np.float32)


def _normals(
    scene: Scene, labels: Labels, number: int, skin: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The normal's parts across and down each pixel's line of sight (H, W, 2), zero beyond the skin."""
    placed, camera = scene.fruit[number - 1], scene.camera
    normal = face_normals(placed.vertices, placed.model.faces) @ camera.rotation.T
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    y, x = np.nonzero(skin)
    ray = np.column_stack(
        [
            (x - camera.matrix[0, 2]) / camera.matrix[0, 0],
            (y - camera.matrix[1, 2]) / camera.matrix[1, 1],
            np.ones(len(x)),
        ]
    )
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    seen = normal[labels.face[y, x]]
    cosine = np.clip(-np.einsum("ij,ij->i", seen, ray), 0.0, 1.0)
    across = seen + cosine[:, None] * ray
    # The small turn that brings the ray onto the camera's axis leaves the two parts nearly as they are.
    across = across[:, :2]
    length = np.maximum(np.linalg.norm(across, axis=1), 1e-9)
    across *= (np.sqrt(1 - cosine**2) / length)[:, None]
    out = np.zeros((*skin.shape, 2), np.float32)
    out[y, x] = across
    return out, skin.astype(np.float32)


def _warped(layer: NDArray[Any], affine: NDArray[np.float64], zoom: float) -> NDArray[np.float32]:
    """Move a layer into the view; blurred first where it shrinks."""
    at = np.arange(VIEW_PX)
    columns, rows = ((at - affine[k, 2]) / zoom for k in (0, 1))
    # Only what the view shows, and a margin, is worth blurring.
    top, left = max(int(rows[0]) - 9, 0), max(int(columns[0]) - 9, 0)
    part = np.asarray(layer[top : int(rows[-1]) + 10, left : int(columns[-1]) + 10], np.float32)
    part = part[..., None] if part.ndim == 2 else part
    grid = np.meshgrid(rows - top, columns - left, indexing="ij")
    soft = gaussian_filter(part, (0.4 / zoom, 0.4 / zoom, 0)) if zoom < 0.8 else part
    moved = [map_coordinates(soft[..., k], grid, order=1, mode="reflect") for k in range(soft.shape[-1])]
    return np.asarray(np.stack(moved, -1).reshape(VIEW_PX, VIEW_PX, *layer.shape[2:]), np.float32)
