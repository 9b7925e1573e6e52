"""Plates without tracing: exact outlines and skin straight from the meshes, hundreds of peppers a minute.

For testing intervals and budgets, which need numbers of peppers that no tracer gives. Nothing here knows what the
measuring tool does: it only says what a perfect eye would see through the recorded camera.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import between, chance, pick
from .labels import label
from .mesh import vertex_normals
from .model import BODY
from .optics import Camera, Lighting, look
from .plates import COLOURS, HEIGHT, RULES, WIDTH, generator
from .scene import PlacedFruit, Scene, phone, settle_fruit
from .settle import Pile
from .truth import pepper_truth

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class OutlineScene:
    """What a perfect eye sees of some peppers on a bare plane, and the truth behind it.

    Attributes
    ----------
    camera : Camera
        In the plane's frame: x right, y up, z up, mm, the floor at 0.
    fruit, part : uint8 (H, W)
        Pepper number and 1 body, 2 calyx, 3 stem; 0 elsewhere.
    ripeness : float32 (H, W)
        True ripeness of the skin each pixel shows; nan off the skin and on blemishes.
    lab : float32 (H, W, 3)
        CIELAB of that skin as an instrument would read it, disturbed by `skin_error`.
    truth : list of dict
        As in a plate's truth file.
    """

    seed: int
    camera: Camera
    fruit: NDArray[np.uint8]
    part: NDArray[np.uint8]
    ripeness: NDArray[np.float32]
    lab: NDArray[np.float32]
    truth: list[dict[str, Any]]


def outline_scenes(
    count: int,
    seed: int = 0,
    *,
    source: str = "first",
    difficulty: str = "normal",
    size: tuple[int, int] = (WIDTH, HEIGHT),
    skin_error: float = 0.0,
    colour: str | None = None,
) -> Iterator[OutlineScene]:
    """Make scenes until they hold `count` peppers.

    Parameters
    ----------
    source : {"first", "second"}
        Which fruit generator.
    skin_error : float
        Standard deviation, in CIELAB units, of a color error common to a photo and of a smooth one along a skin:
        what correction from a printed card leaves.
    """
    made = 0
    while made < count:
        scene = _bare_scene(seed, source, difficulty, size, colour)
        if scene.fruit:
            made += len(scene.fruit)
            yield _seen(scene, skin_error)
        seed += 1


def _bare_scene(seed: int, source: str, difficulty: str, size: tuple[int, int], colour: str | None) -> Scene:
    rng = np.random.default_rng([seed, 31])
    rules, make, pile = RULES[difficulty], generator(source), Pile(half=240)
    fruit: list[PlacedFruit] = []
    wishes: dict[str, Any] = {"detail": 0.6} if source == "first" else {}
    for _ in range(int(rng.integers(3, 7))):
        model = make(rng, colour or pick(rng, COLOURS), **wishes)
        touch = fruit[-1] if fruit and chance(rng, rules.touch) else None
        placed = settle_fruit(rng, pile, model, pick(rng, rules.poses), floor=0.0, reach=125, touch=touch)
        if placed is not None:
            fruit.append(placed)
    focal, stated, distortion, model_name = phone(rng, float(np.hypot(*size)))
    camera = look(
        target=np.array([0.0, 0.0, 30.0]),
        distance=between(rng, 1.0, 1.25) * 400 * focal / size[0],
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


def _seen(scene: Scene, skin_error: float) -> OutlineScene:
    rng = np.random.default_rng([scene.seed, 37])
    own = label(scene, 1)
    fruit, part, face = own.fruit, own.part, own.face
    ripeness = np.full(fruit.shape, np.nan, np.float32)
    seen = np.zeros((*fruit.shape, 3), np.float32)
    common = rng.normal(size=3) * skin_error
    for number, placed in enumerate(scene.fruit, start=1):
        model = placed.model
        skin = (fruit == number) & (part == BODY + 1)
        corner = model.faces[face[skin]]
        sound = (model.vertex_blemish[corner] == 0).all(axis=1)
        ripeness[skin] = np.where(sound, model.vertex_ripeness[corner].mean(axis=1), np.nan)
        normal = vertex_normals(placed.vertices, model.faces)[corner].mean(axis=1)
        error = common + (normal @ rng.normal(size=(3, 3))) * skin_error
        seen[skin] = colours.lab(model.vertex_reflectance[corner].mean(axis=1).astype(float)) + error
    fine = label(scene, 2)
    truth = [pepper_truth(scene, number, fine) for number in range(1, len(scene.fruit) + 1)]
    return OutlineScene(scene.seed, scene.camera, fruit, part, ripeness, seen, truth)
