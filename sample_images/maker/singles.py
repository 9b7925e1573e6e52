"""Single peppers for training the eye: path-traced, one pepper on a table, each with its exact truth.

Amounts are spread evenly where people err most; colors take turns; every third pepper is traced from another side
too. The same renderer, lights and phones as for the plates.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .develop import develop, draw
from .drill_record import COLOURS, SIDE, crop, describe, name_of, ripeness_map, window, write
from .fields import between, pick
from .fruit_first import make_fruit
from .labels import label
from .model import FruitModel
from .optics import Camera, look
from .render import start, trace
from .scene import PlacedFruit, Scene, light_up
from .settle import centre_of_mass, rest, starting_up
from .textures import pattern
from .things import Thing, flat

Floats = NDArray[np.floating[Any]]
FAMILIES = {"blocky": 0.7, "long": 0.15, "flat": 0.15}
LIGHTS = {"window": 0.3, "lamp": 0.15, "tube": 0.15, "mixed": 0.15, "overcast": 0.25}
TABLES = {"plain": 0.45, "wood": 0.35, "stone": 0.2}
PIXELS, SPP, DEPTH = 340, 24, 6


def singles(count: int, seed: int, out: Path, kept: dict[str, Any], variant: str) -> Iterator[dict[str, Any]]:
    """Trace peppers one by one; those that are kept already are left alone."""
    for k in range(count):
        sides = 2 if k % 3 == 0 else 1
        names = [name_of("single", seed, k, side) for side in range(sides)]
        if all(name in kept for name in names):
            continue
        rng = np.random.default_rng([seed, k])
        wish = float(np.exp(between(rng, np.log(0.01), np.log(0.95)))) if k % 3 else between(rng, 0.05, 0.6)
        family = pick(rng, FAMILIES)
        model = make_fruit(rng, COLOURS[k % 4], amount=1 - wish, blemishes=False, detail=0.8, family=family)
        up, table, light = (
            starting_up(rng, "lying"),
            _table(rng),
            light_up(rng, pick(rng, LIGHTS), rng.random() / 2),
        )
        for side, name in enumerate(names):
            fruit, camera = lay(rng, model, up * [1 - 2 * side, 1 - 2 * side, 1])
            scene = Scene(seed + 2 * k + side, "single", (fruit,), (table,), camera, light)
            record = _one(rng, scene, name, out, variant)
            yield record | {"side": names[1 - side] if sides == 2 else None}


def _one(rng: np.random.Generator, scene: Scene, name: str, out: Path, variant: str) -> dict[str, Any]:
    labels = label(scene, 1)
    how = replace(draw(rng, "easy"), display_p3=False)
    photo = develop(trace(start(variant), scene, spp=SPP, depth=DEPTH, clean=True), how, rng)
    box = window(labels.fruit == 1)
    record = describe(scene, 1, labels, name)
    x0, y0, x1, y1 = box
    write(out, name, photo[y0:y1, x0:x1], crop(ripeness_map(scene, 1, labels), box))
    record["px_per_mm"] = round(record["px_per_mm"] * SIDE / (x1 - x0), 4)
    pattern_of = scene.fruit[0].model.notes["pattern"]
    return record | {"made": "traced", "light": scene.lighting.kind, "pattern": pattern_of}


def _table(rng: np.random.Generator) -> Thing:
    picture, _ = pattern(rng, 0.1, None, TABLES)
    turn, repeat, rough = between(rng, 0, 3), between(rng, 1.5, 3), between(rng, 0.3, 0.8)
    return flat("table", 1500, 1200, 0.0, picture, turn=turn, repeat=repeat, roughness=rough)


def lay(rng: np.random.Generator, model: FruitModel, up: Floats) -> tuple[PlacedFruit, Camera]:
    """One pepper at rest on a table, a phone above it that holds it whole."""
    rotation = rest(model.vertices, up, centre_of_mass(model))
    spin = between(rng, 0, 2 * np.pi)
    c, s = np.cos(spin), np.sin(spin)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ rotation
    turned = model.vertices @ rotation.T
    height = -float(turned[:, 2].min())
    middle = (turned.max(axis=0) + turned.min(axis=0)) / 2
    radius = float(np.linalg.norm(turned - middle, axis=1).max())
    distance = between(rng, 380, 480)
    camera = look(
        target=middle + np.array([0, 0, height]),
        distance=distance,
        tilt=float(np.radians(between(rng, 2, 28))),
        heading=between(rng, 0, 2 * np.pi),
        roll=between(rng, 0, 2 * np.pi),
        width=PIXELS,
        height=PIXELS,
        focal_px=(PIXELS / 2 - 6) / 1.16 * (distance - radius) / radius,
    )
    return PlacedFruit(model, rotation, np.array([0.0, 0, height])), camera
