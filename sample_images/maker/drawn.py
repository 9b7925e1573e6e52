"""More single peppers for training the eye, shaded with numpy alone: rough pictures with just as exact a truth.

They stand beside the traced ones so that practice has enough pictures that no test needs.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from . import colours
from .drill_record import COLOURS, SIDE, crop, describe, name_of, ripeness_map, window, write
from .fields import between, pick
from .fruit_first import make_fruit
from .labels import Labels, label
from .mesh import vertex_normals
from .model import FruitModel
from .optics import Camera, Lighting, look
from .raster import rasterise
from .scene import PlacedFruit, Scene
from .settle import centre_of_mass, rest, starting_up

Floats = NDArray[np.floating[Any]]


def drawn(count: int, seed: int, out: Path) -> Iterator[dict[str, Any]]:
    """Draw peppers with amounts spread evenly where people err most; every third also from another side."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        colour = COLOURS[k % len(COLOURS)]
        wish = float(np.exp(between(rng, np.log(0.01), np.log(0.95)))) if k % 3 else between(rng, 0.05, 0.6)
        model = make_fruit(rng, colour, amount=1 - wish, blemishes=False, detail=0.6, family=pick(rng, FAMILIES))
        up = starting_up(rng, "lying")
        views = [up, up * [-1, -1, 1]] if k % 3 == 0 else [up]
        names = [name_of("drawn", seed, k, side) for side in range(len(views))]
        for side, (name, start) in enumerate(zip(names, views, strict=True)):
            scene = lay(rng, model, start)
            labels = label(scene, 2)
            record = describe(scene, 1, label(scene, 1), name)
            fine = Scene(0, "drawn", scene.fruit, (), scene.camera.enlarged(2), scene.lighting)
            picture, light = shade(rng, fine, labels)
            box = window(labels.fruit == 1)
            write(out, name, crop3(picture, box), crop(ripeness_map(fine, 1, labels), box))
            record["px_per_mm"] = round(record["px_per_mm"] * 2 * SIDE / (box[2] - box[0]), 4)
            record |= {"made": "drawn", "light": light, "pattern": model.notes["pattern"]}
            record["side"] = names[1 - side] if len(names) == 2 else None
            yield record


FAMILIES = {"blocky": 0.7, "long": 0.15, "flat": 0.15}


def lay(rng: np.random.Generator, model: FruitModel, up: Floats) -> Scene:
    """One pepper at rest on a table, a phone above it."""
    rotation = rest(model.vertices, up, centre_of_mass(model))
    spin = between(rng, 0, 2 * np.pi)
    c, s = np.cos(spin), np.sin(spin)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ rotation
    height = -float((model.vertices @ rotation.T)[:, 2].min())
    camera = look(
        target=np.array([0, 0, height]),
        distance=between(rng, 380, 480),
        tilt=float(np.radians(between(rng, 2, 28))),
        heading=between(rng, 0, 2 * np.pi),
        roll=between(rng, 0, 2 * np.pi),
        width=480,
        height=480,
        focal_px=830.0,
    )
    fruit = (PlacedFruit(model, rotation, np.array([0.0, 0, height])),)
    return Scene(0, "drawn", fruit, (), camera, Lighting("none", (), np.zeros((2, 2, 3))))


TABLES = ((214, 208, 196), (168, 158, 142), (122, 112, 100), (196, 200, 204), (150, 120, 92), (92, 96, 100))


def shade(rng: np.random.Generator, scene: Scene, labels: Labels) -> tuple[NDArray[np.uint8], str]:
    """Diffuse light from one side and from all round, a highlight, a soft shadow. Drawn, not traced."""
    placed, camera = scene.fruit[0], scene.camera
    light = str(pick(rng, {"window": 0.4, "lamp": 0.25, "overcast": 0.35}))
    turn, rise = between(rng, 0, 2 * np.pi), between(rng, 0.5, 1.3)
    sun = np.array([np.cos(turn), np.sin(turn), rise]) / np.hypot(1, rise)
    ambient = {"window": 0.4, "lamp": 0.28, "overcast": 0.72}[light]
    tone = colours.of_temperature(
        between(rng, *{"window": (5200, 7500), "lamp": (2900, 3600)}.get(light, (5600, 7000)))
    )
    tone = 1 + 0.35 * (tone - 1)  # the phone's white balance takes most of it back
    hit = labels.fruit == 1
    corner = placed.model.faces[labels.face[hit]]
    normal = vertex_normals(placed.vertices, placed.model.faces)[corner].mean(axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    view = camera.place - placed.vertices[corner].mean(axis=1)
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    half = view + sun
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    diffuse = ambient * (0.6 + 0.4 * normal[:, 2]) + (1 - ambient) * np.clip(normal @ sun, 0, None)
    gloss = float(placed.model.notes["gloss"])
    shine = gloss * (1 - 0.6 * (light == "overcast")) * np.clip((half * normal).sum(axis=1), 0, 1) ** 90
    skin = placed.model.vertex_reflectance[corner].mean(axis=1)
    picture = ground(rng, placed, camera, sun, ambient, labels.fruit.shape) * tone
    picture[hit] = (1.15 * skin * diffuse[:, None] + shine[:, None]) * tone
    picture = gaussian_filter(picture * 2 ** rng.normal(0, 0.15), (0.9, 0.9, 0))
    picture = picture * (1 + 0.02 * gaussian_filter(rng.normal(size=picture.shape[:2]), 0.8))[..., None]
    return np.asarray(colours.encode(picture) * 255).astype(np.uint8), light


def ground(
    rng: np.random.Generator,
    placed: PlacedFruit,
    camera: Camera,
    sun: Floats,
    ambient: float,
    shape: tuple[int, ...],
) -> Floats:
    """A plain table with the pepper's shadow on it (H, W, 3), linear."""
    table = colours.from_bytes(*TABLES[int(rng.integers(len(TABLES)))])
    grain = gaussian_filter(rng.normal(size=shape[:2]), (2, 14)) * between(rng, 0.05, 0.6)
    points = placed.vertices - sun * (placed.vertices[:, 2:] / sun[2])
    pixels, depth = camera.project(points)
    cast = rasterise(pixels, depth, placed.model.faces, shape[1], shape[0]).face >= 0
    dark = gaussian_filter(cast.astype(float), 10 + 14 * ambient)
    level = 0.85 * (1 - (1 - ambient) * 0.85 * dark) * (1 + 0.1 * grain)
    return level[..., None] * table


def crop3(picture: NDArray[np.uint8], box: tuple[int, int, int, int]) -> NDArray[np.uint8]:
    """The part of a picture inside a window; the edge is carried on outside."""
    x0, y0, x1, y1 = box
    room = max(0, -x0, -y0, x1 - picture.shape[1], y1 - picture.shape[0])
    wide = np.pad(picture, ((room, room), (room, room), (0, 0)), mode="edge")
    return wide[y0 + room : y1 + room, x0 + room : x1 + room]
