"""Training scenes for both networks: wider than any kitchen, linear radiance with exact labels.

The outline network's part, one file a scene (`scene_00000123.npz`):
`radiance` float16 (1, 480, 640, 3) linear; `owner` uint8 (1, 960, 1280), the pepper's number from 1, and
`part` uint8 (1, 960, 1280), 1 body, 2 calyx, 3 stem: label pixels (2i, 2j) to (2i + 1, 2j + 1) lie on radiance
pixel (i, j); `kind` ("plate", "heap", "close", "none"; where asked for also "near" and "near heap", which show a
pepper among others about as large as the closer look does, and "spread", many peppers side by side: as dear to
trace as one pepper, and ten times as much to learn from); `seed`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .card import print_card, random_card
from .fields import between, chance, pick
from .fruit_first import make_fruit
from .labels import Labels
from .model import FruitModel
from .optics import Camera, look
from .scene import PlacedFruit, Scene, draw_light, settle_fruit
from .settle import Pile, sides
from .textures import pattern
from .things import Dish, Thing, box, dish, fingers, flat, moved, mug, round_body, turned

Floats = NDArray[np.floating[Any]]
MakeFruit = Callable[..., FruitModel]
WIDTH, HEIGHT = 1280, 960
COLOURS = {
    "red": 0.26,
    "green": 0.24,
    "yellow": 0.17,
    "orange": 0.17,
    "purple": 0.06,
    "white": 0.05,
    "brown": 0.05,
}


KINDS = {"plate": 0.56, "heap": 0.28, "close": 0.08, "none": 0.08}
NEAR = {"near": 0.53, "near heap": 0.47}


def training_scene(
    seed: int,
    size: tuple[int, int] = (WIDTH, HEIGHT),
    photos: Path | None = None,
    make: MakeFruit = make_fruit,
    near: float = 0.0,
    spread: float = 0.0,
) -> Scene:
    """One random scene from its seed alone.

    `near` is the share of scenes seen from near, `spread` that of many peppers side by side; both 0 to 1, and
    their sum too.
    """
    rng = np.random.default_rng([seed, 7])
    far = {kind: share * (1 - near - spread) for kind, share in KINDS.items()}
    kind = pick(rng, {**far, **{kind: share * near for kind, share in NEAR.items()}, "spread": spread})
    things, tops, floor, reach = _ground(rng, photos, wide=kind == "spread")
    pile = Pile()
    for surface in tops:
        pile.raise_to(surface.heights(pile.x, pile.y))
    lived_in: list[Thing] = []
    fruit: list[PlacedFruit] = []
    if kind != "none":
        _lay_fruit(rng, kind, pile, floor, reach, fruit, make)
    if chance(rng, 0.65) or kind == "none":
        lived_in += _distractors(rng, pile, 3 if kind != "none" else 7)
    if fruit and chance(rng, 0.16):
        lived_in.append(_hand_over(rng, fruit))
    lived_in += [_loose_card(rng) for _ in range(int(rng.choice([0, 1, 2], p=[0.45, 0.45, 0.1])))]
    camera = _camera(rng, kind, fruit, reach, size)
    return Scene(
        seed,
        kind,
        tuple(fruit),
        (*things, *lived_in),
        camera,
        draw_light(rng),
        floor_mm=floor,
    )


def _ground(
    rng: np.random.Generator, photos: Path | None, *, wide: bool
) -> tuple[list[Thing], list[Dish], float, float]:
    """Table, perhaps a cloth, perhaps a dish: things, their height fields, floor height and reach."""
    picture, name = pattern(rng, 0.3, photos)
    broad = between(rng, 900, 2600)
    repeat = 1.0 if name == "photo" else between(rng, 1, 3)
    things = [
        flat(
            "table",
            broad,
            broad * between(rng, 0.6, 1.0),
            0.0,
            picture,
            turn=between(rng, 0, 3),
            repeat=repeat,
            centre=(between(rng, -150, 150), between(rng, -150, 150)),
            roughness=between(rng, 0.15, 0.8),
        )
    ]
    if chance(rng, 0.35):
        cloth, _ = pattern(
            rng, 0.55, None, {"plain": 0.4, "checks": 0.2, "stripes": 0.15, "dots": 0.1, "weave": 0.15}
        )
        things.append(
            flat(
                "cloth",
                between(rng, 300, 800),
                between(rng, 250, 600),
                0.8,
                cloth,
                turn=between(rng, 0, 3),
                centre=(between(rng, -80, 80), between(rng, -80, 80)),
                repeat=between(rng, 1, 2.5),
                roughness=0.9,
            )
        )
    if wide:
        return things, [], 0.8, between(rng, 200, 250)
    if chance(rng, 0.68):
        plate = dish(rng, between(rng, 95, 210), vivid=0.5)
        return [*things, plate.thing], [plate], plate.floor_mm, plate.reach
    return things, [], 0.8, between(rng, 90, 220)


def _some_fruit(rng: np.random.Generator, colour: str, make: MakeFruit) -> FruitModel:
    stem = pick(rng, {"full": 0.66, "stub": 0.25, "missing": 0.09})
    model = make(rng, colour, stem=stem, detail=0.45)
    stretch = rng.uniform(0.92, 1.08, 3) * (between(rng, 0.55, 0.8) if chance(rng, 0.15) else 1.0)
    return FruitModel(
        model.vertices * stretch,
        model.faces,
        model.face_part,
        model.vertex_reflectance,
        model.vertex_ripeness,
        model.vertex_blemish,
        model.colour,
        model.lobes,
        model.notes,
    )


def _lay_fruit(
    rng: np.random.Generator,
    kind: str,
    pile: Pile,
    floor: float,
    reach: float,
    fruit: list[PlacedFruit],
    make: MakeFruit,
) -> None:
    # All are drawn, whichever is used: a seed stays the same scene when a kind is added at the end.
    counts = {"plate": int(rng.integers(1, 7)), "heap": int(rng.integers(6, 17)), "close": int(rng.integers(1, 3))}
    if kind in NEAR:
        counts |= {"near": int(rng.integers(1, 5)), "near heap": int(rng.integers(6, 14))}
    elif kind == "spread":
        counts |= {"spread": int(rng.integers(11, 19))}
    count, heaped = counts[kind], kind in ("heap", "near heap")
    own = pick(rng, COLOURS)
    mixed = between(rng, 0, 1) if chance(rng, 0.7) else 0.0
    together = 0.75 if kind == "near" else 0.5
    for _ in range(count):
        model = _some_fruit(rng, pick(rng, COLOURS) if chance(rng, mixed) else own, make)
        if heaped:
            placed = settle_fruit(
                rng,
                pile,
                model,
                "any" if chance(rng, 0.5) else "lying",
                floor=floor,
                reach=reach * between(rng, 0.5, 1),
                heap=True,
                tries=14,
            )
        else:
            pose = pick(rng, {"lying": 0.64, "standing": 0.22, "upside down": 0.14})
            touch = fruit[int(rng.integers(len(fruit)))] if fruit and chance(rng, together) else None
            placed = settle_fruit(rng, pile, model, pose, floor=floor, reach=reach, touch=touch)
        if placed is not None:
            fruit.append(placed)


def _distractors(rng: np.random.Generator, pile: Pile, most: int) -> list[Thing]:
    found = []
    for _ in range(int(rng.integers(1, most + 1))):
        kind = pick(rng, {"tomato": 0.24, "apple": 0.2, "lime": 0.14, "cucumber": 0.14, "box": 0.16, "mug": 0.12})
        if kind == "box":
            body = moved(box(rng), turned(rng, False), np.zeros(3))
        elif kind == "mug":
            body = moved(mug(rng), turned(rng, False), np.zeros(3))
        else:
            body = moved(round_body(rng, kind), turned(rng, kind == "cucumber" or chance(rng, 0.3)), np.zeros(3))
        under, over = sides(body.vertices, body.faces)
        best = None
        for _ in range(10):
            radius, angle = 240 * np.sqrt(rng.random()), between(rng, 0, 2 * np.pi)
            x, y = round(radius * np.cos(angle)), round(radius * np.sin(angle))
            z = pile.lowest(under, x, y)
            if best is None or z < best[0]:
                best = (z, x, y)
        if best is not None and np.isfinite(best[0]):
            pile.add(over, best[1], best[2], best[0])
            found.append(moved(body, np.eye(3), np.array([best[1], best[2], best[0]], float)))
    return found


def _hand_over(rng: np.random.Generator, fruit: list[PlacedFruit]) -> Thing:
    held = fruit[int(rng.integers(len(fruit)))]
    angle = between(rng, 0, 2 * np.pi)
    away = np.array([np.cos(angle), np.sin(angle), 0.0])
    local = held.vertices - held.position
    edge = float((local @ away).max())
    tip = (
        held.position
        + away * edge * between(rng, 0.2, 0.9)
        + [0, 0, float(local[:, 2].max()) * between(rng, 0.5, 1.0)]
    )
    return fingers(rng, tip, away)


def _loose_card(rng: np.random.Generator) -> Thing:
    if chance(rng, 0.4):
        picture, size, _ = print_card(rng)
    else:
        picture, size = random_card(rng)
    turn, radius, angle = between(rng, 0, 2 * np.pi), between(rng, 60, 240), between(rng, 0, 2 * np.pi)
    centre = (radius * np.cos(angle), radius * np.sin(angle))
    high = between(rng, 1.2, 10)
    return flat(
        "card",
        size[0],
        size[1],
        high,
        picture,
        turn=turn,
        centre=centre,
        roughness=between(rng, 0.25, 0.8),
        curl=between(rng, 0, 4) * chance(rng, 0.4),
    )


def _camera(
    rng: np.random.Generator, kind: str, fruit: list[PlacedFruit], reach: float, size: tuple[int, int]
) -> Camera:
    tilt = np.radians(between(rng, 0, 30) if chance(rng, 0.55) else between(rng, 20, 68))
    focal_35 = between(rng, 23, 29) if chance(rng, 0.75) else between(rng, 29, 60)
    focal = focal_35 * np.hypot(*size) / 43.2666
    target = np.array([*(rng.normal(size=2) * 20), 20.0])
    seen = reach * between(rng, 0.8, 1.9)
    if kind == "close" and fruit:
        chosen = fruit[int(rng.integers(len(fruit)))]
        target, seen = chosen.position + rng.normal(size=3) * [15, 15, 5], between(rng, 38, 75)
    elif kind in NEAR and fruit:
        chosen = fruit[-1 - int(rng.integers(min(len(fruit), 5)))]  # in a heap the last ones lie on top
        target, seen = chosen.position + rng.normal(size=3) * [15, 15, 5], between(rng, 45, 120)
    elif kind == "spread":
        seen = reach * between(rng, 0.75, 1.2)
    elif kind == "none":
        seen = between(rng, 60, 300)
    distance = max(150.0, seen * focal / (size[1] / 2)) + (60 if kind == "heap" else 0)
    return look(
        target=target,
        distance=distance,
        tilt=float(tilt),
        heading=between(rng, 0, 2 * np.pi),
        roll=between(rng, 0, 2 * np.pi) if chance(rng, 0.7) else 0.0,
        width=size[0],
        height=size[1],
        focal_px=focal,
        focal_35mm=round(focal_35),
    )


def outline_record(scene: Scene, labels: Labels, radiance: Floats) -> dict[str, NDArray[Any]]:
    """What a scene's file for the outline network holds.

    Parameters
    ----------
    scene : Scene
    labels : Labels
        Of the scene as its camera sees it.
    radiance : float32, shape (H, W, 3)
        At half the size.
    """
    return {
        "radiance": radiance.clip(0, 6e4).astype(np.float16)[None],
        "owner": labels.fruit[None],
        "part": labels.part[None],
        "kind": np.array(scene.kind),
        "seed": np.array(scene.seed),
    }
