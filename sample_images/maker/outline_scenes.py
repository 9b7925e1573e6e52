"""Plates without tracing: exact outlines and skin straight from the meshes, several peppers a second.

For testing intervals and budgets, which need numbers of peppers that no tracer gives. Nothing here knows what the
measuring tool does: it only says what a perfect eye would see through the recorded camera.

Meshes are a fifth as fine as a traced plate's, masks are drawn once at the photo's own size and only inside each
pepper's box; the outline, smoothed along the pixel edges, is good to about a tenth of a pixel.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from . import colours
from .fields import between, chance, pick
from .labels import alone
from .mesh import face_normals, vertex_normals
from .model import BODY, CALYX, STEM, FruitModel
from .optics import Camera, Lighting, look
from .outline import polygons
from .plates import COLOURS, HEIGHT, RULES, WIDTH, generator
from .scene import PlacedFruit, Scene, phone, settle_fruit
from .settle import Pile, pose_of
from .truth import caliper_widths

Floats = NDArray[np.floating[Any]]
ALL = {"first": 1.0, "third": 1.0, "fourth": 1.0}
# Two such errors together make the 5.3 units in a* and b* that the tool states for development plates (median).
SKIN_ERROR = 3.7
DETAIL = 0.2
LINES = (0.25, 0.5, 0.75)


@dataclass(frozen=True)
class SeenPepper:
    """What a perfect eye sees of one pepper.

    Attributes
    ----------
    box : tuple of int
        x0, y0, x1, y1 in photo pixels, the last two exclusive; the arrays are cropped to it.
    part : uint8 (h, w)
        1 body, 2 calyx, 3 stem of this pepper where it is seen; 0 elsewhere.
    nearer : bool (h, w)
        Where another pepper lies in front of this one.
    ripeness : float32 (h, w)
        True ripeness of the skin each pixel shows; nan off the skin and on blemishes.
    lab : float32 (h, w, 3)
        CIELAB of that skin as an instrument would read it, disturbed by `skin_error`.
    truth : dict
        Sizes, pose and outlines under the names of a plate's truth file.
    """

    box: tuple[int, int, int, int]
    part: NDArray[np.uint8]
    nearer: NDArray[np.bool_]
    ripeness: NDArray[np.float32]
    lab: NDArray[np.float32]
    truth: dict[str, Any]


@dataclass(frozen=True)
class OutlineScene:
    """Some peppers on a bare plane, and the truth behind them.

    Attributes
    ----------
    camera : Camera
        In the plane's frame: x right, y up, z up, mm, the floor at 0.
    """

    seed: int
    difficulty: str
    camera: Camera
    peppers: tuple[SeenPepper, ...]


def outline_scenes(
    count: int,
    seed: int = 0,
    *,
    source: str | Mapping[str, float] = "first",
    difficulty: str = "normal",
    size: tuple[int, int] = (WIDTH, HEIGHT),
    skin_error: float = SKIN_ERROR,
    colour: str | None = None,
) -> Iterator[OutlineScene]:
    """Make scenes until they hold `count` peppers.

    Parameters
    ----------
    source : {"first", "second", "third", "fourth"} or mapping of these to shares
        Which fruit generator, or how often each; all peppers of a scene come from one.
    skin_error : float
        Standard deviation, in CIELAB units, of a color error common to a photo and of a smooth one along a skin:
        what correction from a printed card leaves.
    """
    made = 0
    while made < count:
        scene = _bare_scene(seed, source, difficulty, size, colour)
        seen = _seen(scene, skin_error)
        if seen.peppers:
            made += len(seen.peppers)
            yield seen
        seed += 1


def _bare_scene(
    seed: int,
    source: str | Mapping[str, float],
    difficulty: str,
    size: tuple[int, int],
    colour: str | None,
    detail: float = DETAIL,
) -> Scene:
    rng = np.random.default_rng([seed, 31])
    name = source if isinstance(source, str) else pick(rng, dict(source))
    rules, make, pile = RULES[difficulty], generator(name), Pile(half=240)
    fruit: list[PlacedFruit] = []
    wishes: dict[str, Any] = {} if name == "second" else {"detail": detail}
    for _ in range(int(rng.integers(3, 7))):
        model = make(rng, colour or pick(rng, COLOURS), **wishes)
        touch = fruit[-1] if fruit and chance(rng, rules.touch) else None
        placed = settle_fruit(rng, pile, model, pick(rng, rules.poses), floor=0.0, reach=125, touch=touch)
        if placed is not None:
            fruit.append(placed)
    focal, stated, distortion, model_name = phone(rng, float(np.hypot(*size)))
    camera = look(
        target=np.array([0.0, 0.0, 30.0]),
        distance=between(rng, 1.3, 1.9) * 400 * focal / size[0],
        tilt=float(np.radians(between(rng, *rules.tilt))),
        heading=between(rng, 0, 2 * np.pi),
        roll=between(rng, 0, 2 * np.pi),
        width=size[0],
        height=size[1],
        focal_px=focal,
        distortion=distortion,
        focal_35mm=stated,
    )
    light = Lighting("none", (), np.zeros((2, 2, 3)))
    return Scene(seed, difficulty, tuple(fruit), (), camera, light, notes={"phone": model_name})


@dataclass(frozen=True)
class _Sight:
    """One pepper's own raster, nothing in front of it, and where its top left corner lies."""

    face: NDArray[np.int32]
    depth: NDArray[np.float32]
    x0: int
    y0: int


def _seen(scene: Scene, skin_error: float) -> OutlineScene:
    rng = np.random.default_rng([scene.seed, 37])
    camera = scene.camera
    near = np.full((camera.height, camera.width), np.inf, np.float32)
    sights = []
    for placed in scene.fruit:
        ahead = _turned_here(placed, camera)
        sight, y0, x0 = alone(camera, placed.vertices, placed.model.faces[ahead])
        sights.append(_Sight(np.where(sight.face >= 0, ahead[sight.face], -1), sight.depth, x0, y0))
        window = near[y0 : y0 + sight.depth.shape[0], x0 : x0 + sight.depth.shape[1]]
        np.minimum(window, sight.depth, out=window)
    common = rng.normal(size=3) * skin_error
    peppers = []
    for number, (placed, sight) in enumerate(zip(scene.fruit, sights, strict=True), start=1):
        error = rng.normal(size=(3, 3)) * skin_error
        pepper = _pepper(scene, number, placed, sight, near, common, error)
        if pepper is not None:
            peppers.append(pepper)
    return OutlineScene(scene.seed, scene.kind, camera, tuple(peppers))


def _turned_here(placed: PlacedFruit, camera: Camera) -> NDArray[np.int32]:
    """Faces that can be seen: of a closed body only those turned to the camera, of the thin calyx all."""
    faces = placed.model.faces
    corner = placed.vertices[faces]
    facing = np.einsum("ij,ij->i", face_normals(placed.vertices, faces), camera.place - corner[:, 0]) > 0
    return np.flatnonzero(facing | (placed.model.face_part == CALYX)).astype(np.int32)


def _pepper(
    scene: Scene, number: int, placed: PlacedFruit, sight: _Sight, near: Floats, common: Floats, smooth: Floats
) -> SeenPepper | None:
    """One pepper as seen, or None where it leaves the picture or hardly shows."""
    camera, model = scene.camera, placed.model
    height, width = sight.face.shape
    x1, y1 = sight.x0 + width, sight.y0 + height
    if min(sight.x0, sight.y0) <= 0 or x1 >= camera.width or y1 >= camera.height:
        return None
    there = sight.face >= 0
    nearer = there & (near[sight.y0 : y1, sight.x0 : x1] < sight.depth)
    part = np.where(there, model.face_part[sight.face] + 1, 0).astype(np.uint8)
    whole = int(((part > 0) & (part <= CALYX + 1)).sum())
    part[nearer] = 0
    body = (part == BODY + 1) | (part == CALYX + 1)
    hidden = 1 - float(body.sum()) / max(whole, 1)
    if hidden > RULES[scene.kind].hidden + 0.01 or body.sum() < 200:
        return None
    ripeness, lab = _skin(placed, sight, part == BODY + 1, common, smooth)
    truth = _truth(placed, number, camera, hidden, model.face_part[sight.face[body]].size)
    origin = np.array([sight.x0, sight.y0], float)
    for name, mask in (("outline_px", body), ("calyx_px", part == CALYX + 1), ("stem_px", part == STEM + 1)):
        truth[name] = [ring + origin for ring in polygons(mask, 1)]
    truth["not_fully_coloured"] = _shares(placed, sight, part == BODY + 1, ripeness, camera)
    return SeenPepper((sight.x0, sight.y0, x1, y1), part, nearer, ripeness, lab, truth)


def _skin(
    placed: PlacedFruit, sight: _Sight, skin: NDArray[np.bool_], common: Floats, smooth: Floats
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    model = placed.model
    sound = (model.vertex_blemish[model.faces] == 0).all(axis=1)
    own = np.where(sound, model.vertex_ripeness[model.faces].mean(axis=1), np.nan)
    normal = vertex_normals(placed.vertices, model.faces)[model.faces].mean(axis=1)
    reflectance = model.vertex_reflectance[model.faces].mean(axis=1).astype(float)
    ripeness = np.full(skin.shape, np.nan, np.float32)
    lab = np.zeros((*skin.shape, 3), np.float32)
    face = sight.face[skin]
    ripeness[skin] = own[face]
    lab[skin] = (colours.lab(reflectance) + common + normal @ smooth)[face]
    return ripeness, lab


def _shares(
    placed: PlacedFruit, sight: _Sight, skin: NDArray[np.bool_], ripeness: NDArray[np.float32], camera: Camera
) -> dict[str, float]:
    """Share of the sound skin seen that lies below each line; a pixel stands for the skin behind it."""
    a, b, c = (placed.vertices[placed.model.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    middle = (a + b + c) / 3
    sight_line = camera.place - middle
    away = np.linalg.norm(sight_line, axis=1)
    slant = np.abs(np.einsum("ij,ij->i", normal, sight_line)) / np.maximum(
        np.linalg.norm(normal, axis=1) * away, 1e-9
    )
    behind = away**2 / np.maximum(slant, 0.05)
    weight = behind[sight.face[skin]]
    seen = ripeness[skin]
    sound = np.isfinite(seen)
    total = max(float(weight[sound].sum()), 1e-9)
    return {str(line): round(float(weight[sound & (seen < line)].sum()) / total, 4) for line in LINES}


def _truth(placed: PlacedFruit, number: int, camera: Camera, hidden: float, pixels: int) -> dict[str, Any]:
    model = placed.model
    axis = placed.rotation[:, 2]
    size = _sizes(model)
    ends = placed.position + np.outer([-0.5, 0.5], axis) * size["length_mm"]
    view = camera.place - placed.position
    view /= np.linalg.norm(view)
    across = np.cross(axis, view)
    across /= max(float(np.linalg.norm(across)), 1e-9)
    body = placed.vertices[np.unique(model.faces[model.face_part == BODY])]
    return {
        "number": number,
        "colour": model.colour,
        "lobes": model.lobes,
        "pose": pose_of(placed.rotation),
        **size,
        "width_seen_mm": float(np.ptp(body @ across)),
        "axis_px": camera.project(ends)[0],
        "centre_px": camera.project(placed.position[None])[0][0],
        "axis_towards_camera_deg": float(np.degrees(np.arcsin(np.clip(axis @ view, -1, 1)))),
        "depth_mm": float((camera.rotation @ (placed.position - camera.place))[2]),
        "hidden_fraction": hidden,
        "pixels": pixels,
        "made": model.notes,
    }


def _sizes(model: FruitModel) -> dict[str, float]:
    """As `truth.size_of`, from the convex hull alone: every caliper width is one of the hull's."""
    points = model.vertices[np.unique(model.faces[model.face_part == BODY])]
    flat = points[:, :2]
    widths = caliper_widths(flat[ConvexHull(flat).vertices])
    return {
        "diameter_greatest_mm": float(widths.max()),
        "diameter_mean_mm": float(widths.mean()),
        "diameter_least_mm": float(widths.min()),
        "length_mm": float(np.ptp(points[:, 2])),
    }
