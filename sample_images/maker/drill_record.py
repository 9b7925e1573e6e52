"""What every picture for training the eye has, however it was made: a name, its truth, a window, two files."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from .labels import Labels
from .model import BODY, FruitModel
from .scene import Scene
from .settle import pose_of
from .truth import size_of, skin_areas, visible_faces

Floats = NDArray[np.floating[Any]]
COLOURS = ("red", "yellow", "orange", "green")
LINES = tuple(round(0.05 * k, 2) for k in range(1, 20))
SIDE, MAP_SIDE, RIPENESS_STEPS = 320, 192, 20


def name_of(*parts: object) -> str:
    """A name that nobody reads a fact from."""
    return hashlib.sha256("/".join(map(str, parts)).encode()).hexdigest()[:12]


def window(mine: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """A square round a pepper with some table about it; may leave the picture."""
    rows, columns = np.nonzero(mine)
    centre = np.array([columns.min() + columns.max(), rows.min() + rows.max()]) / 2
    half = int(0.58 * max(np.ptp(rows), np.ptp(columns))) + 4
    x0, y0 = np.rint(centre).astype(int) - half
    return int(x0), int(y0), int(x0) + 2 * half, int(y0) + 2 * half


def crop(picture: Floats, box: tuple[int, int, int, int]) -> Floats:
    """The part of a map inside a window, zero outside the map."""
    x0, y0, x1, y1 = box
    room = max(0, -x0, -y0, x1 - picture.shape[1], y1 - picture.shape[0])
    wide = np.pad(picture, room)
    return wide[y0 + room : y1 + room, x0 + room : x1 + room]


def ripeness_map(scene: Scene, number: int, labels: Labels) -> Floats:
    """Per pixel 1 + 20 x ripeness on sound skin of one pepper, 0 elsewhere (H, W) float."""
    model = scene.fruit[number - 1].model
    skin = (labels.fruit == number) & (labels.part == BODY + 1)
    corner = model.faces[labels.face[skin]]
    values = np.zeros(labels.fruit.shape)
    sound = (model.vertex_blemish[corner] == 0).all(axis=1)
    values[skin] = np.where(sound, 1 + RIPENESS_STEPS * model.vertex_ripeness[corner].mean(axis=1), 0)
    return values


def describe(scene: Scene, number: int, labels: Labels, name: str) -> dict[str, Any]:
    """What is true of one pepper: shares of the seen skin by line, of the whole skin, sizes, scale."""
    placed = scene.fruit[number - 1]
    areas, skin = skin_areas(placed.model)
    depth = np.pad(labels.depth, ((0, 1), (0, 1)), mode="edge")
    seen = visible_faces(placed, scene.camera, depth) & skin
    body = placed.model.vertices[np.unique(placed.model.faces[placed.model.face_part == BODY])]
    view = placed.rotation.T @ (scene.camera.place - placed.position)
    across = np.cross([0, 0, 1.0], view)
    across /= np.linalg.norm(across)
    away = float(scene.camera.to_camera(placed.position[None])[0, 2])
    size = size_of(placed.model)
    return {
        "id": name,
        "colour": placed.model.colour,
        "pose": pose_of(placed.rotation),
        "curve": curve(placed.model, areas * seen),
        "whole": curve(placed.model, areas * skin)[LINES.index(0.5)],
        "diameter_mm": size["diameter_greatest_mm"],
        "width_seen_mm": round(float(np.ptp(body @ across)), 2),
        "length_mm": size["length_mm"],
        "px_per_mm": scene.camera.matrix[0, 0] / away,
        "side": None,
    }


def curve(model: FruitModel, weight: Floats) -> list[float]:
    """Share of sound skin under each line, faces weighted; vertices count a third of their face each."""
    corner = model.vertex_ripeness[model.faces]
    sound = (weight[:, None] / 3) * (model.vertex_blemish[model.faces] == 0)
    total = max(float(sound.sum()), 1e-9)
    return [round(float((sound * (corner < line)).sum()) / total, 4) for line in LINES]


def write(out: Path, name: str, picture: NDArray[np.uint8], ripeness: Floats) -> None:
    """Write picture and map, small."""
    shown = Image.fromarray(picture).resize((SIDE, SIDE), Image.Resampling.LANCZOS)
    data = io.BytesIO()
    shown.save(data, "WEBP", quality=86, method=6)
    (out / f"{name}.webp").write_bytes(data.getvalue())
    rows = ((np.arange(MAP_SIDE) + 0.5) * len(ripeness) / MAP_SIDE).astype(int)
    small = np.rint(ripeness[rows][:, rows]).astype(np.uint8)
    Image.fromarray(small).save(out / f"{name}.png", optimize=True)
