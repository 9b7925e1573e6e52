"""Plates for measuring: peppers, our printed card, a phone's view, in three difficulties."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .card import print_card
from .fields import between, chance, pick
from .labels import Labels, alone, label
from .mesh import Floats
from .model import STEM, FruitModel
from .optics import Camera, look
from .scene import PlacedCard, PlacedFruit, Scene, light_up, phone, settle_fruit
from .settle import LYING, Pile, pose_of, sides
from .textures import pattern
from .things import Thing, box, dish, flat, moved, mug, round_body, turned

WIDTH, HEIGHT = 1600, 1200
PAPER_MM = 0.25
DIFFICULTIES = ("easy", "normal", "hard")
COLOURS = {"red": 0.28, "green": 0.2, "yellow": 0.2, "orange": 0.2, "purple": 0.04, "white": 0.04, "brown": 0.04}
SETS = {
    "development": ("first", 1000),
    "judging": ("second", 5000),
    "samples": ("first", 9000),
    "spare": ("first", 7000),
    "third": ("third", 11_000),
    "fourth": ("fourth", 13_000),
}


@dataclass(frozen=True)
class _Rules:
    """What a difficulty allows."""

    tilt: tuple[float, float]
    poses: dict[str, float]
    touch: float
    hidden: float
    hardness: tuple[float, float]
    lights: dict[str, float]
    vivid: float
    extras: int
    blemished: float


RULES = {
    "easy": _Rules(
        (0, 12),
        {"lying": 1.0},
        0.0,
        0.0,
        (0.0, 0.25),
        {"window": 0.4, "tube": 0.25, "overcast": 0.35},
        0.2,
        0,
        0.25,
    ),
    "normal": _Rules(
        (2, 25),
        {"lying": 0.85, "standing": 0.15},
        0.4,
        0.06,
        (0.15, 0.6),
        {"window": 0.3, "lamp": 0.25, "tube": 0.15, "mixed": 0.3},
        0.4,
        1,
        0.35,
    ),
    "hard": _Rules(
        (10, 40),
        {"lying": 0.5, "standing": 0.28, "upside down": 0.22},
        0.7,
        0.6,
        (0.5, 1.0),
        {"window": 0.3, "lamp": 0.35, "tube": 0.05, "mixed": 0.3},
        0.55,
        2,
        0.45,
    ),
}


def generator(name: str) -> Any:
    """The fruit generator of that name."""
    if name == "second":
        from .fruit_second import make_fruit
    elif name == "third":
        from .fruit_third import make_fruit
    elif name == "fourth":
        from .fruit_fourth import make_fruit
    else:
        from .fruit_first import make_fruit
    return make_fruit


def plate_seeds(which: str, count: int) -> list[tuple[str, int, str]]:
    """(set, seed, difficulty) of a set's plates; difficulties take turns."""
    _, first = SETS[which]
    order = ("easy", "normal", "easy", "normal", "hard") if which == "samples" else DIFFICULTIES
    return [(which, first + k, order[k % len(order)]) for k in range(count)]


def plate_scene(
    which: str, seed: int, difficulty: str, size: tuple[int, int] = (WIDTH, HEIGHT)
) -> tuple[Scene, Labels]:
    """The plate of that seed: the first of its attempts that keeps the difficulty's rules."""
    wanted = _count(seed, difficulty)
    for attempt in range(90):
        rng = np.random.default_rng([seed, 11, attempt])
        scene = _attempt(rng, which, seed, difficulty, size)
        if scene is None or len(scene.fruit) < wanted - attempt // 15:
            continue
        labels = label(scene, 1)
        if _fits(scene, labels, difficulty):
            return scene, labels
    raise RuntimeError(f"no plate for seed {seed} ({difficulty})")


def _count(seed: int, difficulty: str) -> int:
    share = [0.06, 0.14, 0.25, 0.27, 0.17, 0.11] if difficulty != "hard" else [0.0, 0.2, 0.27, 0.25, 0.18, 0.1]
    return 1 + int(np.random.default_rng([seed, 3]).choice(6, p=share))


def _attempt(
    rng: np.random.Generator, which: str, seed: int, difficulty: str, size: tuple[int, int]
) -> Scene | None:
    rules = RULES[difficulty]
    things, pile, floor, reach, outer, card_z, ground = _table(rng, rules, difficulty)
    fruit = _peppers(rng, rules, which, pile, floor, reach, _count(seed, difficulty))
    if not fruit:
        return None
    card_thing, card = _lay_card(rng, pile, fruit, outer, card_z, difficulty)
    if card is None:
        return None
    extras = _extras(rng, pile, card, int(rng.integers(0, rules.extras + 1)))
    camera, model = _camera(
        rng, rules, fruit, card, outer if chance(rng, 0.8) or difficulty == "easy" else 0.0, size
    )
    lighting = light_up(rng, pick(rng, rules.lights), between(rng, *rules.hardness))
    return Scene(
        seed,
        difficulty,
        tuple(fruit),
        (*things, *extras, card_thing),
        camera,
        lighting,
        card,
        floor,
        {"set": which, "ground": ground, "phone": model},
    )


def _table(rng: np.random.Generator, rules: _Rules, difficulty: str) -> tuple[Any, ...]:
    kinds = None if difficulty != "easy" else {"plain": 0.4, "wood": 0.35, "stone": 0.25}
    picture, name = pattern(rng, rules.vivid, None, kinds)
    wide = between(rng, 1300, 2200)
    things = [
        flat(
            "table",
            wide,
            wide * 0.8,
            0.0,
            picture,
            turn=between(rng, 0, 3),
            repeat=between(rng, 1.5, 3),
            roughness=between(rng, 0.2, 0.8),
        )
    ]
    top = 0.0
    ground = [f"table {name}"]
    if difficulty != "easy" and chance(rng, 0.4):
        cloth, name = pattern(
            rng,
            rules.vivid + 0.15,
            None,
            {"plain": 0.4, "checks": 0.2, "stripes": 0.2, "dots": 0.08, "weave": 0.12},
        )
        top = 0.8
        things.append(
            flat(
                "cloth",
                between(rng, 520, 900),
                between(rng, 420, 700),
                top,
                cloth,
                turn=between(rng, 0, 3),
                repeat=between(rng, 1.5, 3),
                roughness=0.9,
            )
        )
        ground.append(f"cloth {name}")
    pile = Pile()
    pile.raise_to(np.full(pile.x.shape, top))
    if chance(rng, 0.78):
        kind = pick(rng, {"rimmed": 0.45, "coupe": 0.27, "tray": 0.18, "board": 0.1})
        plate = dish(
            rng, between(rng, 125, 165) * (1.15 if kind == "tray" else 1.0), kind=kind, vivid=rules.vivid, base=top
        )
        things.append(plate.thing)
        pile.raise_to(plate.heights(pile.x, pile.y))
        return things, pile, plate.floor_mm, plate.reach, plate.outer, top, [*ground, kind]
    return things, pile, top, between(rng, 90, 130), 0.0, top, ground


def _peppers(
    rng: np.random.Generator, rules: _Rules, which: str, pile: Pile, floor: float, reach: float, count: int
) -> list[PlacedFruit]:
    make = generator(SETS[which][0])
    own = pick(rng, COLOURS)
    family = pick(rng, {"blocky": 0.55, "long": 0.17, "flat": 0.13, "pointed": 0.15}) if chance(rng, 0.6) else None
    fruit: list[PlacedFruit] = []
    for _ in range(count):
        colour = own if chance(rng, 0.8) else pick(rng, COLOURS)
        pose = pick(rng, rules.poses)
        wishes: dict[str, Any] = {"blemishes": chance(rng, rules.blemished)}
        if SETS[which][0] == "first":
            wishes["family"] = family
        if SETS[which][0] != "second" and pose == "upside down":
            wishes["stem"] = pick(rng, {"missing": 0.6, "stub": 0.4})
        model: FruitModel = make(rng, colour, **wishes)
        touch = fruit[int(rng.integers(len(fruit)))] if fruit and chance(rng, rules.touch) else None
        placed = settle_fruit(rng, pile, model, pose, floor=floor, reach=reach * 1.05, touch=touch)
        if placed is None and touch is not None:
            placed = settle_fruit(rng, pile, model, pose, floor=floor, reach=reach * 1.05)
        if placed is not None:
            fruit.append(placed)
    return fruit


def _lay_card(
    rng: np.random.Generator, pile: Pile, fruit: list[PlacedFruit], outer: float, z: float, difficulty: str
) -> tuple[Any, PlacedCard | None]:
    """Put a printed card on the table beside everything, turned any way."""
    picture, (w, h), truth = print_card(rng)
    for _ in range(40):
        turn = between(rng, 0, 2 * np.pi)
        direction = between(rng, 0, 2 * np.pi)
        c, s = np.cos(turn), np.sin(turn)
        for away in range(int(outer * 0.7) + 60, 330, 6):
            centre = np.array([away * np.cos(direction), away * np.sin(direction)])
            u = (pile.x - centre[0]) * c + (pile.y - centre[1]) * s
            v = (pile.x - centre[0]) * s - (pile.y - centre[1]) * c
            under = (np.abs(u) < w / 2 + 2) & (np.abs(v) < h / 2 + 2)
            if pile.top[under].max() <= z + 0.01:
                break
        else:
            continue
        curl = between(rng, 0, 0.6) if difficulty == "easy" else between(rng, 0, 2.5) * chance(rng, 0.6)
        high = z + PAPER_MM
        card_corner = np.array([*(centre - np.array([c, s]) * w / 2 - np.array([s, -c]) * h / 2), high])
        truth = {**truth, "curl_mm": round(curl, 2)}
        thing = flat(
            "card",
            w,
            h,
            high,
            picture,
            turn=turn,
            centre=(float(centre[0]), float(centre[1])),
            roughness=between(rng, 0.3, 0.8),
            curl=curl,
        )
        pile.raise_to(np.where(under, high, 0))
        return thing, PlacedCard(card_corner, turn, (w, h), truth)
    return None, None


def _extras(rng: np.random.Generator, pile: Pile, card: PlacedCard, count: int) -> list[Thing]:
    """A few other things at the edge of the scene."""
    found = []
    for _ in range(count):
        kind = pick(rng, {"tomato": 0.2, "lime": 0.15, "cucumber": 0.15, "box": 0.25, "mug": 0.25})
        make = {"box": box, "mug": mug}.get(kind)
        body = make(rng) if make else round_body(rng, kind)
        body = moved(body, turned(rng, kind == "cucumber"), np.zeros(3))
        under, over = sides(body.vertices, body.faces)
        for _ in range(12):
            angle, radius = between(rng, 0, 2 * np.pi), between(rng, 190, 290)
            x, y = round(radius * np.cos(angle)), round(radius * np.sin(angle))
            z = pile.lowest(under, x, y)
            if z <= 1.0 - float(np.nanmin(under)):
                pile.add(over, x, y, z)
                found.append(moved(body, np.eye(3), np.array([x, y, z], float)))
                break
    return found


def _camera(
    rng: np.random.Generator,
    rules: _Rules,
    fruit: list[PlacedFruit],
    card: PlacedCard,
    outer: float,
    size: tuple[int, int],
) -> tuple[Camera, str]:
    """A phone held so that card, peppers and (mostly) the dish are in the picture."""
    focal, stated, distortion, model = phone(rng, float(np.hypot(*size)))
    angle = np.linspace(0, 2 * np.pi, 32)
    rim = np.stack([outer * np.cos(angle), outer * np.sin(angle), 0 * angle + 8], axis=-1)
    points = np.concatenate(
        [card.outline(), *(placed.vertices[::60] for placed in fruit), rim if outer else rim[:0]]
    )
    tilt = np.radians(between(rng, *rules.tilt))
    middle = (points.max(axis=0) + points.min(axis=0)) / 2
    lengthwise = np.arctan2(*(card.outline().mean(axis=0) - 0)[1::-1])
    heading, roll = between(rng, 0, 2 * np.pi), between(rng, 0, 2 * np.pi)
    if chance(rng, 0.7):  # people turn the phone so that the scene fills it
        roll = lengthwise - heading - np.pi / 2 + rng.normal() * 0.2 + np.pi * chance(rng, 0.5)
    offset = (float(rng.normal() * 0.004 * size[0]), float(rng.normal() * 0.004 * size[0]))
    margin = between(rng, 0.03, 0.1)
    low, high = 150.0, 2500.0
    camera = None
    target = middle
    for _ in range(26):
        distance = (low + high) / 2
        trial = look(
            target=target,
            distance=distance,
            tilt=float(tilt),
            heading=heading,
            roll=roll,
            width=size[0],
            height=size[1],
            focal_px=focal,
            distortion=distortion,
            centre_offset=offset,
            focal_35mm=stated,
        )
        pixels, _ = trial.project(points)
        span = np.ptp(pixels, axis=0) if np.isfinite(pixels).all() else np.array([np.inf, np.inf])
        if (span <= np.array(size) * (1 - 2 * margin)).all():
            high, camera = distance, trial
            shift = (pixels.max(axis=0) + pixels.min(axis=0)) / 2 - np.array(size) / 2
            target = target + trial.rotation.T @ np.array([*(shift * distance / focal), 0]) * [1, 1, 0] * 0.7
        else:
            low = distance
    if camera is None:
        raise RuntimeError("the scene does not fit any view")
    return camera, model


def _fits(scene: Scene, labels: Labels, difficulty: str) -> bool:
    """All peppers whole in the picture and hidden no more than allowed; the card in full sight; hard is hard."""
    camera, card = scene.camera, scene.card
    if card is None:
        return False
    edge = 6
    u, v = np.meshgrid(np.linspace(0, 1, 24), np.linspace(0, 1, 18))
    points = (
        np.stack([u.ravel() * card.size[0], v.ravel() * card.size[1], 0 * u.ravel()], -1) @ card.rotation.T
        + card.corner
    )
    pixels, depth = camera.project(points)
    if not _inside(pixels, camera, edge):
        return False
    column, row = np.rint(pixels).astype(int).T
    if (labels.depth[row, column] < depth - 1.5).any():
        return False
    hidden = []
    for number, placed in enumerate(scene.fruit, start=1):
        if not _inside(camera.project(placed.vertices)[0], camera, edge):
            return False
        own = alone(camera, placed.vertices, placed.model.faces[placed.model.face_part != STEM])[0].face >= 0
        seen = int(((labels.fruit == number) & (labels.part <= STEM)).sum())
        hidden.append(1 - seen / max(int(own.sum()), 1))
    awkward = any(pose_of(placed.rotation) != LYING for placed in scene.fruit)
    return max(hidden) <= RULES[difficulty].hidden + 0.01 and (
        difficulty != "hard" or awkward or max(hidden) > 0.05
    )


def _inside(pixels: Floats, camera: Camera, edge: float) -> bool:
    limit = np.array([camera.width - 1 - edge, camera.height - 1 - edge])
    return bool(np.isfinite(pixels).all() and (pixels > edge).all() and (pixels < limit).all())
