"""Triangle meshes from grids and tubes, and their areas and normals."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.int32]


def ring_faces(rows: int, columns: int) -> Ints:
    """Faces of a (rows, columns) grid whose columns close round; collapsed rows may be given as equal points."""
    row, column = np.meshgrid(np.arange(rows - 1), np.arange(columns), indexing="ij")
    a = row * columns + column
    b = row * columns + (column + 1) % columns
    c, d = a + columns, b + columns
    return np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)]).astype(
        np.int32
    )


def sheet_faces(rows: int, columns: int) -> Ints:
    """Faces of an open (rows, columns) grid."""
    row, column = np.meshgrid(np.arange(rows - 1), np.arange(columns - 1), indexing="ij")
    a = row * columns + column
    b, c, d = a + 1, a + columns, a + columns + 1
    return np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)]).astype(
        np.int32
    )


def tube(centres: Floats, radii: Floats, columns: int = 24) -> tuple[Floats, Ints]:
    """A closed tube along centres (N, 3) with radii (N, columns) or (N,)."""
    tangent = np.gradient(centres, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    helper = np.array([1.0, 0, 0]) if abs(tangent[0, 0]) < 0.8 else np.array([0, 1.0, 0])
    side = np.cross(tangent, helper)
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(tangent, side)
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    radii = np.broadcast_to(radii if radii.ndim == 2 else radii[:, None], (len(centres), columns))
    rings = centres[:, None] + radii[..., None] * (
        np.cos(angle)[None, :, None] * side[:, None] + np.sin(angle)[None, :, None] * other[:, None]
    )
    first = np.broadcast_to(centres[:1, None], (1, columns, 3))
    last = np.broadcast_to(centres[-1:, None], (1, columns, 3))
    grid = np.concatenate([first, rings, last])
    return grid.reshape(-1, 3), ring_faces(len(centres) + 2, columns)


def drop_empty(vertices: Floats, faces: Ints) -> Ints:
    """Faces without those of no area."""
    return faces[face_areas(vertices, faces) > 1e-9]


def face_normals(vertices: Floats, faces: Ints) -> Floats:
    """Face normals (F, 3), twice the area long."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.cross(b - a, c - a)


def face_areas(vertices: Floats, faces: Ints) -> Floats:
    """Face areas (F,)."""
    return np.linalg.norm(face_normals(vertices, faces), axis=1) / 2


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """Area-weighted unit normals (V, 3)."""
    normals = face_normals(vertices, faces)
    total = np.zeros_like(vertices)
    for k in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(faces[:, k], normals[:, axis], minlength=len(vertices))
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def vertex_areas(vertices: Floats, faces: Ints) -> Floats:
    """A third of the area of every face round a vertex (V,)."""
    areas = face_areas(vertices, faces) / 3
    return sum(
        (np.bincount(faces[:, k], areas, minlength=len(vertices)) for k in range(3)), np.zeros(len(vertices))
    )


def outward(vertices: Floats, faces: Ints) -> Ints:
    """The faces, turned so that the enclosed volume is positive."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)).sum()
    return faces if volume > 0 else faces[:, ::-1].copy()


def rotation_about(axis: Floats, angle: float) -> Floats:
    """Rotation matrix about a unit axis (Rodrigues)."""
    x, y, z = axis / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * k @ k


def rotation_between(start: Floats, end: Floats) -> Floats:
    """The shortest rotation that takes one direction to another."""
    start, end = start / np.linalg.norm(start), end / np.linalg.norm(end)
    axis = np.cross(start, end)
    length = np.linalg.norm(axis)
    if length < 1e-9:
        if start @ end > 0:
            return np.eye(3)
        helper = np.array([1.0, 0, 0]) if abs(start[0]) < 0.8 else np.array([0, 1.0, 0])
        return rotation_about(np.cross(start, helper), np.pi)
    return rotation_about(axis, float(np.arctan2(length, start @ end)))
