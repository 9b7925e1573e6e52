"""A scene: peppers at rest, what they lie on, what is around, light and camera. World: mm, z up, table at 0."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import Field, between, pick
from .model import FruitModel
from .optics import Camera, Lighting, Panel
from .settle import Pile, centre_of_mass, rest, sides, starting_up
from .things import Thing

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class PlacedFruit:
    """A pepper where it lies."""

    model: FruitModel
    rotation: Floats  # (3, 3) body to world
    position: Floats  # (3,) mm, the body's centre

    @property
    def vertices(self) -> Floats:
        """World coordinates (V, 3)."""
        return self.model.vertices @ self.rotation.T + self.position


@dataclass(frozen=True)
class PlacedCard:
    """A printed card where it lies: its frame is x right, y down, z into the table, from its top-left corner."""

    corner: Floats  # (3,) world, mm
    turn: float  # direction of the card's x axis, rad
    size: tuple[float, float]  # as printed, mm
    print_truth: dict[str, Any]

    @property
    def rotation(self) -> Floats:
        """(3, 3) from the card's frame to the world's."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        return np.array([[c, s, 0], [s, -c, 0], [0, 0, -1.0]])

    def outline(self) -> Floats:
        """Its four corners in the world (4, 3)."""
        w, h = self.size
        return np.array([[0, 0, 0], [w, 0, 0], [w, h, 0], [0, h, 0.0]]) @ self.rotation.T + self.corner


@dataclass(frozen=True)
class Scene:
    """Everything a renderer and the truth need."""

    seed: int
    kind: str
    fruit: tuple[PlacedFruit, ...]
    things: tuple[Thing, ...]
    camera: Camera
    lighting: Lighting
    card: PlacedCard | None = None
    floor_mm: float = 0.0  # height of what the peppers lie on
    notes: dict[str, Any] = field(default_factory=dict)


def settle_fruit(
    rng: np.random.Generator,
    pile: Pile,
    model: FruitModel,
    pose: str,
    *,
    floor: float,
    reach: float,
    heap: bool = False,
    touch: PlacedFruit | None = None,
    tries: int = 40,
    centre: tuple[float, float] = (0.0, 0.0),
) -> PlacedFruit | None:
    """Lay one pepper down: on the floor with room round it, touching another, or on top of a heap.

    Returns None where no place was found.
    """
    rotation = rest(model.vertices, starting_up(rng, pose), centre_of_mass(model))
    spin = between(rng, 0, 2 * np.pi)
    c, s = np.cos(spin), np.sin(spin)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ rotation
    vertices = model.vertices @ rotation.T
    under, over = sides(vertices, model.faces)
    best: tuple[float, int, int] | None = None
    for _ in range(tries):
        if touch is not None:
            found = pile.touching(
                under,
                (touch.position[0], touch.position[1]),
                between(rng, 0, 2 * np.pi),
                floor - float(np.nanmin(under)),
            )
            if found is None or np.hypot(found[0] - centre[0], found[1] - centre[1]) > reach:
                continue
            x, y = found
        else:
            radius, angle = reach * np.sqrt(rng.random()), between(rng, 0, 2 * np.pi)
            x, y = round(centre[0] + radius * np.cos(angle)), round(centre[1] + radius * np.sin(angle))
        z = pile.lowest(under, x, y)
        if heap:
            if best is None or z < best[0]:
                best = (z, x, y)
        elif z <= floor - float(np.nanmin(under)) + 0.2:
            best = (z, x, y)
            break
    if best is None or not np.isfinite(best[0]):
        return None
    z, x, y = best
    pile.add(over, x, y, z)
    return PlacedFruit(model, rotation, np.array([x, y, z], float))


def light_up(rng: np.random.Generator, kind: str, hard: float = 0.5) -> Lighting:
    """Window, lamp, tube or mixed light; `hard` 0..1 makes the sources smaller and the room darker."""
    panels: list[Panel] = []
    heading = between(rng, 0, 2 * np.pi)
    ambient = between(rng, 0.25, 0.8) * (1 - 0.6 * hard)
    tone = colours.of_temperature(between(rng, 3200, 7000))
    if kind in ("window", "mixed"):
        sky = colours.of_temperature(between(rng, 5200, 8500))
        away = np.array([np.cos(heading), np.sin(heading), between(rng, 0.5, 1.1)]) * between(rng, 900, 1700)
        size = between(rng, 500, 1400) * (1 - 0.55 * hard)
        panels.append(
            Panel(
                away,
                np.zeros(3),
                size,
                size * between(rng, 0.7, 1.4),
                sky * 9.0 * (1200 / size) ** 2 * (np.linalg.norm(away) / 1700) ** 2,
            )
        )
    if kind in ("lamp", "mixed"):
        turn = heading + between(rng, 1.2, 4)
        warm = colours.of_temperature(between(rng, 2500, 3600))
        away = np.array([np.cos(turn) * between(rng, 0.1, 0.9), np.sin(turn) * 0.5, 1.0]) * between(rng, 700, 1500)
        size = between(rng, 110, 420) * (1 - 0.6 * hard)
        power = between(rng, 0.4, 1.0) if kind == "mixed" else 1.0
        panels.append(
            Panel(away, np.zeros(3), size, size, warm * power * 5.0 * (np.linalg.norm(away) / size) ** 2)
        )
    if kind == "tube":
        tone = colours.of_temperature(between(rng, 3600, 5600), between(rng, 0.0, 0.012))
        for k in range(int(rng.integers(1, 4))):
            x = between(rng, -500, 500) + 350 * k
            high = between(rng, 1300, 2000)
            centre = np.array([x * np.cos(heading), x * np.sin(heading), high])
            panels.append(
                Panel(
                    centre,
                    centre * [1, 1, 0],
                    between(rng, 700, 1300),
                    between(rng, 40, 160),
                    tone * 60.0 * (high / 1700) ** 2,
                )
            )
    if kind == "overcast":
        ambient = between(rng, 0.9, 1.3)
    return Lighting(kind, tuple(panels), _room(rng, tone, ambient))


def _room(rng: np.random.Generator, tone: Floats, level: float) -> Floats:
    """A dim room with brighter and darker patches, (32, 64, 3); rows from zenith to nadir."""
    v, u = np.meshgrid(np.linspace(0, np.pi, 32), np.linspace(0, 2 * np.pi, 64, endpoint=False), indexing="ij")
    directions = np.stack([np.sin(v) * np.cos(u), np.sin(v) * np.sin(u), np.cos(v)], -1)
    shade = np.exp(0.5 * Field(rng, 1.6, octaves=3)(directions))
    picture = tone * (level * shade * (0.55 + 0.45 * np.cos(v)))[..., None]
    for _ in range(int(rng.integers(0, 4))):
        row, column = int(rng.integers(5, 16)), int(rng.integers(0, 56))
        picture[row : row + int(rng.integers(2, 6)), column : column + int(rng.integers(2, 8))] *= between(
            rng, 1.5, 5
        )
    return np.clip(picture, 0.01, None)


def draw_light(rng: np.random.Generator, hard: float | None = None) -> Lighting:
    """Any of the lights."""
    kind = pick(rng, {"window": 0.34, "lamp": 0.2, "tube": 0.17, "mixed": 0.2, "overcast": 0.09})
    return light_up(rng, kind, between(rng, 0, 1) if hard is None else hard)


def phone(rng: np.random.Generator, diagonal: float) -> tuple[float, float, Floats, str]:
    """One of a dozen invented phones.

    Returns
    -------
    focal length in pixels, what its files say (35 mm equivalent), lens distortion, model name. A phone keeps its
    lens from picture to picture.
    """
    number = int(rng.integers(12))
    lens = np.random.default_rng([number, 35])
    stated = float(lens.choice([24, 25, 26, 26, 27, 28]) if number < 10 else lens.choice([22, 35, 50]))
    real = stated * between(lens, 0.98, 1.02)
    strength = lens.normal() * 0.02
    k = np.array(
        [strength, -0.6 * strength + lens.normal() * 0.008, lens.normal() * 4e-4, lens.normal() * 4e-4, 0.0]
    )
    return real * diagonal / 43.2666, stated, k, f"Phone {chr(65 + number)}"
