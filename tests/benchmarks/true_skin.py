"""What a rebuilt scene says of the skin behind each pixel of a made plate, and of the side of a pepper seen."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sample_images.maker.labels import Labels
from sample_images.maker.mesh import face_normals
from sample_images.maker.model import BODY
from sample_images.maker.scene import PlacedFruit, Scene

from truelobe.fruit.form import Form, read_form

Floats = NDArray[np.float64]
# As many as the tool itself reads along a pepper.
STATIONS = 96


@dataclass(frozen=True)
class TrueSkin:
    """The mesh behind the pixels of a pepper's box.

    Attributes
    ----------
    box : tuple of int
        x0, y0, x1, y1 in the photo.
    body : bool, shape (h, w)
        Skin without calyx and stem.
    skin_mm2, facing : float32, shape (h, w)
        As the tool's own maps, but of the mesh.
    blemish : uint8, shape (h, w)
        Kind of blemish, 0 for none.
    """

    box: tuple[int, int, int, int]
    body: NDArray[np.bool_]
    skin_mm2: NDArray[np.float32]
    facing: NDArray[np.float32]
    blemish: NDArray[np.uint8]


def true_skin(scene: Scene, labels: Labels, number: int) -> TrueSkin | None:
    """Return the true skin of one pepper; None where the camera sees none of it."""
    placed, camera = scene.fruit[number - 1], scene.camera
    seen = (labels.fruit == number) & (labels.part == BODY + 1)
    if not seen.any():
        return None
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    x0, y0, x1, y1 = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
    body = seen[y0:y1, x0:x1]
    face = np.where(body, labels.face[y0:y1, x0:x1], 0)  # beside it lie faces of other meshes
    normal = face_normals(placed.vertices, placed.model.faces) @ camera.rotation.T
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    y, x = np.mgrid[y0:y1, x0:x1]
    focal = camera.matrix[0, 0], camera.matrix[1, 1]
    ray = np.stack(
        [(x - camera.matrix[0, 2]) / focal[0], (y - camera.matrix[1, 2]) / focal[1], np.ones(x.shape)], -1
    )
    towards = np.maximum(-np.einsum("hwk,hwk->hw", normal[face], ray), 1e-3)
    depth = np.where(body, labels.depth[y0:y1, x0:x1], 0.0)
    skin = depth**2 / (focal[0] * focal[1] * towards)
    facing = np.where(body, towards / np.linalg.norm(ray, axis=-1), 0.0)
    kind = placed.model.vertex_blemish[placed.model.faces[face]].max(axis=-1)
    blemish = np.where(body, kind, 0).astype(np.uint8)
    return TrueSkin((x0, y0, x1, y1), body, skin.astype(np.float32), facing.astype(np.float32), blemish)


def true_form(placed: PlacedFruit, camera_place: Floats) -> Form | None:
    """Return the form of the side that faces the camera, looked at square to the pepper's own axis."""
    points = placed.vertices[np.unique(placed.model.faces[placed.model.face_part == BODY])]
    axis = placed.rotation[:, 2]
    sight = camera_place - placed.position
    across = np.cross(axis, sight)
    size = float(np.linalg.norm(across))
    if size < 1e-6:
        return None
    flat = np.column_stack([points @ (across / size), points @ axis])
    low, high = flat[:, 1].min(), flat[:, 1].max()
    at = np.minimum(((flat[:, 1] - low) / (high - low) * STATIONS).astype(int), STATIONS - 1)
    left, right = np.full(STATIONS, np.inf), np.full(STATIONS, -np.inf)
    np.minimum.at(left, at, flat[:, 0])
    np.maximum.at(right, at, flat[:, 0])
    height = low + (np.arange(STATIONS) + 0.5) / STATIONS * (high - low)
    some = np.isfinite(left)
    sides: list[Any] = [np.column_stack([edge[some], height[some]]) for edge in (left, right)]
    return read_form(np.concatenate([sides[0], sides[1][::-1]]))
