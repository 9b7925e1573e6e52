"""The plates' truth by a second route: sizes by a general mesh library, silhouettes by OpenCV, a sphere on paper.

A seeded sample of both committed sets. The scene of each plate is made again from its seed; then trimesh measures
the meshes, OpenCV projects them through the camera *as the truth file records it*, and both are laid beside what
that file says. A sphere is drawn by the maker's own rasteriser through the same camera and laid beside its
analytic outline: a ray x meets a sphere at c of radius r where (c.x)^2 >= (c.c - r^2)(x.x) (Hartley & Zisserman
2004, section 8.3, contour generator of a quadric).
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import trimesh
from numpy.typing import NDArray
from sample_images.maker.labels import alone
from sample_images.maker.model import BODY, STEM
from sample_images.maker.optics import Camera
from sample_images.maker.plates import plate_scene
from sample_images.maker.scene import PlacedCard, PlacedFruit
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

from truelobe.data import data_path
from truelobe.fruit.silhouette import filled

SETS = ("development", "judging")
COUNT, SEED = 4, 17
UNHIDDEN = 0.005
"""A silhouette drawn alone can be held only against one that nothing hides, its own stem included."""
RASTER = 4
SHIFT = 6
SPHERE_MM = (60.0, 60.0, -40.0)
RADIUS_MM = 40.0
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Agreement:
    """How far the two routes are apart.

    Attributes
    ----------
    plates : tuple of str
    sizes_mm : tuple of float
        Largest difference of length and greatest diameter, one a pepper.
    overlaps : tuple of float
        Intersection over union of silhouettes, one for each pepper that nothing hides.
    spheres : tuple of float
        The same of a sphere and its analytic outline, one a plate.
    """

    plates: tuple[str, ...]
    sizes_mm: tuple[float, ...]
    overlaps: tuple[float, ...]
    spheres: tuple[float, ...]

    def line(self) -> str:
        """Return it as one line."""
        return (
            f"Truth by a second route, {len(self.plates)} plates, {len(self.sizes_mm)} peppers: sizes "
            f"(trimesh) at most {max(self.sizes_mm):.4f} mm apart; silhouettes (OpenCV, recorded camera) of "
            f"{len(self.overlaps)} peppers nothing hides: IoU at least {min(self.overlaps):.4f}, mean "
            f"{np.mean(self.overlaps):.4f}; spheres against their analytic outline: IoU at least "
            f"{min(self.spheres):.4f}"
        )


def run(count: int = COUNT, seed: int = SEED) -> Agreement:
    """Check `count` plates of each set and print one line."""
    found = agreement([path for name in SETS for path in drawn(data_path("sample_images", name), count, seed)])
    print("Plates: " + ", ".join(found.plates))
    print(found.line())
    return found


def drawn(folder: Path, count: int, seed: int) -> list[Path]:
    """Draw truth files of a set by a seed."""
    paths = sorted(folder.glob("*.truth.json"))
    chosen = np.random.default_rng(seed).choice(len(paths), min(count, len(paths)), replace=False)
    return [paths[k] for k in sorted(chosen)]


def agreement(paths: Sequence[Path]) -> Agreement:
    """Hold the truth files against the second route."""
    sizes, overlaps, spheres = [], [], []
    for path in paths:
        truth = json.loads(path.read_text(encoding="utf-8"))
        scene, _ = plate_scene(path.name.split("-")[0], truth["seed"], truth["difficulty"])
        if scene.card is None or len(scene.fruit) != len(truth["peppers"]):
            raise RuntimeError(f"{path.name} is not the scene that its seed makes")
        for placed, said in zip(scene.fruit, truth["peppers"], strict=True):
            sizes.append(sizes_apart_mm(placed, said))
            if said["hidden_fraction"] <= UNHIDDEN:
                overlaps.append(silhouettes_overlap(placed, scene.card, truth["camera"], said))
        spheres.append(sphere_overlap(truth))
    return Agreement(
        tuple(path.name.removesuffix(".truth.json") for path in paths), *map(tuple, (sizes, overlaps, spheres))
    )


def sizes_apart_mm(placed: PlacedFruit, said: dict[str, Any]) -> float:
    """Largest difference between the recorded sizes and trimesh's bounds, hull and the hull's farthest points."""
    model = placed.model
    body = trimesh.Trimesh(model.vertices, model.faces[model.face_part == BODY], process=False)
    body.remove_unreferenced_vertices()
    flat = np.asarray(body.convex_hull.vertices)[:, :2]
    greatest = pdist(flat[ConvexHull(flat).vertices]).max()
    return float(max(abs(body.extents[2] - said["length_mm"]), abs(greatest - said["diameter_greatest_mm"])))


def silhouettes_overlap(
    placed: PlacedFruit, card: PlacedCard, camera: dict[str, Any], said: dict[str, Any]
) -> float:
    """Lay the mesh, projected by OpenCV from the recorded camera, over the recorded outline."""
    faces = placed.model.faces[placed.model.face_part != STEM]
    in_card = (placed.vertices - card.corner) @ card.rotation
    turn = cv2.Rodrigues(np.array(camera["rotation"]))[0]
    pixels = cv2.projectPoints(
        in_card, turn, np.array(camera["translation"]), np.array(camera["matrix"]), np.array(camera["distortion"])
    )[0].reshape(-1, 2)
    low = np.floor(pixels[faces].min(axis=(0, 1))) - 3
    size = np.ceil(pixels[faces].max(axis=(0, 1)) - low).astype(int) + 3
    drawn_mask = np.zeros(size[::-1] * RASTER, np.uint8)
    fine = ((pixels - low + 0.5) * RASTER - 0.5) * 2**SHIFT
    for triangle in np.rint(fine[faces]).astype(np.int32):
        cv2.fillConvexPoly(drawn_mask, triangle, 1, lineType=cv2.LINE_8, shift=SHIFT)
    rings = [(np.array(ring) - low + 0.5) * RASTER - 0.5 for ring in said["outline_px"]]
    return _iou(drawn_mask > 0, filled(rings, (0, 0, int(size[0]) * RASTER, int(size[1]) * RASTER)))


def sphere_overlap(truth: dict[str, Any]) -> float:
    """Lay a sphere, drawn by the maker's rasteriser through the recorded camera, over its analytic outline."""
    said = truth["camera"]
    camera = Camera(
        truth["photo"]["width_px"],
        truth["photo"]["height_px"],
        np.array(said["matrix"]),
        np.array(said["distortion"]),
        np.array(said["rotation"]),
        np.array(said["translation"]),
        said["focal_35mm"],
    )
    ball = trimesh.creation.icosphere(subdivisions=6, radius=RADIUS_MM)
    sight, top, left = alone(camera, np.asarray(ball.vertices) + SPHERE_MM, np.asarray(ball.faces, np.int32))
    ours = sight.face >= 0
    rows, columns = np.indices(ours.shape)
    seen = np.stack([columns + left, rows + top], -1).reshape(-1, 1, 2).astype(float)
    flat = cv2.undistortPoints(seen, camera.matrix, camera.distortion).reshape(-1, 2)
    rays, centre = np.column_stack([flat, np.ones(len(flat))]), camera.to_camera(np.array([SPHERE_MM]))[0]
    paper = (rays @ centre) ** 2 >= (centre @ centre - RADIUS_MM**2) * (rays**2).sum(axis=1)
    return _iou(ours, paper.reshape(ours.shape))


def _iou(one: Bools, other: Bools) -> float:
    return float((one & other).sum() / (one | other).sum())
