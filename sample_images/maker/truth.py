"""The exact truth of a plate, from its meshes and its camera, as a compact JSON document.

Lengths in mm, areas in mm2, pixels of the developed photo with centres at whole numbers. The camera is given in
the card's frame (origin at the printed card's top-left corner, x right, y down, z into the table): a point X there
is seen at K distort(R X + t).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .labels import Labels, alone, label
from .mesh import face_areas, face_normals
from .model import BLEACHED, BODY, BROWN_SPOT, CALYX, SCAR, STEM, FruitModel
from .optics import Camera
from .outline import polygons
from .scene import PlacedFruit, Scene
from .settle import pose_of

Floats = NDArray[np.floating[Any]]
LINES = (0.25, 0.5, 0.75)
FACTOR = 2


def size_of(model: FruitModel) -> dict[str, float]:
    """Diameters at right angles to the axis and length along it, calyx and stem out."""
    points = model.vertices[np.unique(model.faces[model.face_part == BODY])]
    widths = caliper_widths(points[:, :2])
    return {
        "diameter_greatest_mm": round(float(widths.max()), 3),
        "diameter_mean_mm": round(float(widths.mean()), 3),
        "diameter_least_mm": round(float(widths.min()), 3),
        "length_mm": round(float(np.ptp(points[:, 2])), 3),
    }


def caliper_widths(points: Floats, steps: int = 720) -> Floats:
    """Width of a flat point set between parallel jaws, for directions over half a turn."""
    angle = np.linspace(0, np.pi, steps, endpoint=False)
    along = points @ np.stack([np.cos(angle), np.sin(angle)])
    widths: Floats = np.ptp(along, axis=0)
    return widths


def shape_of(model: FruitModel) -> dict[str, float]:
    """Shape figures of the body."""
    faces = model.faces[model.face_part == BODY]
    a, b, c = (model.vertices[faces[:, k]] for k in range(3))
    points = model.vertices[np.unique(faces)]
    low, high = points[:, 2].min(), points[:, 2].max()
    share = (points[:, 2] - low) / (high - low)
    rings = [points[(share > s - 0.05) & (share < s + 0.05), :2] for s in (0.2, 0.35, 0.5, 0.65, 0.8)]
    middles = np.array([(ring.max(axis=0) + ring.min(axis=0)) / 2 for ring in rings])
    widths = [float(caliper_widths(ring, 90).mean()) for ring in rings]
    straight = middles[0] + np.linspace(0, 1, 5)[:, None] * (middles[-1] - middles[0])
    size = size_of(model)
    return {
        "length_to_diameter": round(size["length_mm"] / size["diameter_greatest_mm"], 3),
        "least_to_greatest": round(size["diameter_least_mm"] / size["diameter_greatest_mm"], 3),
        "taper": round(widths[0] / widths[-1], 3),
        "bend_mm": round(float(np.linalg.norm(middles - straight, axis=1).max()), 2),
        "volume_cm3": round(float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6000), 1),
    }


def skin_areas(model: FruitModel) -> tuple[Floats, NDArray[np.bool_]]:
    """Area of every face (F,), and which of them are skin: body, not under the calyx."""
    areas = face_areas(model.vertices, model.faces)
    skin = model.face_part == BODY
    calyx = np.unique(model.faces[model.face_part == CALYX])
    if len(calyx):
        middles = model.vertices[model.faces[skin]].mean(axis=1)
        distance, nearest = cKDTree(model.vertices[calyx]).query(middles, distance_upper_bound=3.0)
        covered = np.isfinite(distance)
        away = np.zeros_like(middles)
        away[covered] = model.vertices[calyx][nearest[covered]] - middles[covered]
        normal = face_normals(model.vertices, model.faces[skin])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        above = np.einsum("ij,ij->i", away, normal)
        sideways = np.sqrt(np.maximum(np.where(covered, distance, 0) ** 2 - above**2, 0))
        covered &= (above > 0) & (sideways < 1.2)
        skin = skin.copy()
        skin[np.flatnonzero(skin)[covered]] = False
    return areas, skin


def visible_faces(placed: PlacedFruit, camera: Camera, depth: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Which faces the camera sees: turned towards it, and nothing nearer at their middle."""
    corners = placed.vertices[placed.model.faces]
    middle = corners.mean(axis=1)
    facing = np.einsum("ij,ij->i", face_normals(placed.vertices, placed.model.faces), camera.place - middle) > 0
    pixels, away = camera.project(middle)
    inside = (
        np.isfinite(pixels).all(axis=1)
        & (pixels > -0.5).all(axis=1)
        & (pixels < [camera.width - 0.5, camera.height - 0.5]).all(axis=1)
    )
    near = np.zeros(len(middle), np.float32)
    column, row = np.rint(pixels[inside]).astype(int).T
    near[inside] = depth[row, column]
    return facing & inside & (away <= near + 0.9)


def _shares(model: FruitModel, weight: Floats) -> dict[str, float]:
    """Share of sound skin below each line, faces weighted; vertices count a third of their face each."""
    blemish = model.vertex_blemish[model.faces] > 0
    ripeness = model.vertex_ripeness[model.faces]
    sound = (weight[:, None] / 3) * ~blemish
    total = max(float(sound.sum()), 1e-9)
    return {str(line): round(float((sound * (ripeness < line)).sum()) / total, 4) for line in LINES}


def _blemish_areas(model: FruitModel, weight: Floats) -> dict[str, float]:
    kind = model.vertex_blemish[model.faces]
    names = {"brown_spot": BROWN_SPOT, "scar": SCAR, "bleached": BLEACHED}
    return {name: round(float(((kind == code) * weight[:, None] / 3).sum()), 1) for name, code in names.items()}


def pepper_truth(scene: Scene, number: int, labels: Labels) -> dict[str, Any]:
    """Everything known of one pepper on the plate."""
    placed = scene.fruit[number - 1]
    model, camera = placed.model, scene.camera
    fine = camera.enlarged(FACTOR)
    areas, skin = skin_areas(model)
    seen = visible_faces(placed, fine, labels.depth) & skin
    whole, visible = areas * skin, areas * seen
    mine = labels.fruit == number
    body = mine & ((labels.part == BODY + 1) | (labels.part == CALYX + 1))
    own = alone(fine, placed.vertices, model.faces[model.face_part != STEM])[0].face >= 0
    axis = placed.rotation[:, 2]
    ends = placed.position + np.outer([-0.5, 0.5], axis) * size_of(model)["length_mm"]
    view = camera.place - placed.position
    view /= np.linalg.norm(view)
    across = np.cross(axis, view)
    across /= max(float(np.linalg.norm(across)), 1e-9)
    points = placed.vertices[np.unique(model.faces[model.face_part == BODY])]
    ys, xs = np.nonzero(body)
    rounded = {
        name: [np.round(points, 1).tolist() for points in polygons(mask, FACTOR)]
        for name, mask in (
            ("outline_px", body),
            ("calyx_px", mine & (labels.part == CALYX + 1)),
            ("stem_px", mine & (labels.part == STEM + 1)),
        )
    }
    return {
        "number": number,
        "colour": model.colour,
        "lobes": model.lobes,
        "pose": pose_of(placed.rotation),
        **size_of(model),
        "width_seen_mm": round(float(np.ptp(points @ across)), 3),
        "shape": shape_of(model),
        "skin_mm2": round(float(whole.sum()), 1),
        "visible_skin_mm2": round(float(visible.sum()), 1),
        "visible_skin_fraction": round(float(visible.sum() / whole.sum()), 4),
        "not_fully_coloured": _shares(model, visible),
        "not_fully_coloured_whole": _shares(model, whole),
        "blemish_visible_mm2": _blemish_areas(model, visible),
        "blemish_whole_mm2": _blemish_areas(model, whole),
        "centre_px": [round((float(v.mean()) + 0.5) / FACTOR - 0.5, 1) if len(v) else None for v in (xs, ys)],
        "axis_px": np.round(camera.project(ends)[0], 1).tolist(),
        "axis_towards_camera_deg": round(float(np.degrees(np.arcsin(np.clip(axis @ view, -1, 1)))), 2),
        "height_of_centre_mm": round(float(placed.position[2] - scene.floor_mm), 2),
        "hidden_fraction": round(max(0.0, 1 - float(body.sum()) / max(int(own.sum()), 1)), 4),
        **rounded,
        "made": model.notes,
    }


def camera_in_card(scene: Scene) -> dict[str, Any]:
    """The camera in the card's frame."""
    camera, card = scene.camera, scene.card
    if card is None:
        raise ValueError("the scene has no card")
    return {
        "matrix": np.round(camera.matrix, 4).tolist(),
        "distortion": np.round(camera.distortion, 7).tolist(),
        "rotation": np.round(camera.rotation @ card.rotation, 9).tolist(),
        "translation": np.round(camera.to_camera(card.corner[None])[0], 5).tolist(),
        "focal_35mm": camera.focal_35mm,
    }


def plate_truth(scene: Scene) -> dict[str, Any]:
    """The whole document for one plate."""
    labels = label(scene, FACTOR)
    card = scene.card
    if card is None:
        raise ValueError("the scene has no card")
    return {
        "truth": 1,
        "seed": scene.seed,
        "difficulty": scene.kind,
        "photo": {"width_px": scene.camera.width, "height_px": scene.camera.height},
        "camera": camera_in_card(scene),
        "card": {
            **card.print_truth,
            "outline_px": np.round(scene.camera.project(card.outline())[0], 2).tolist(),
        },
        "floor_above_card_mm": round(scene.floor_mm - float(card.corner[2]), 3),
        "light": scene.lighting.kind,
        "scene": scene.notes,
        "peppers": [pepper_truth(scene, number, labels) for number in range(1, len(scene.fruit) + 1)],
    }
