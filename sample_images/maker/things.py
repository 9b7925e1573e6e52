"""Everything in a scene that is not a pepper: tables, dishes, other produce, boxes, mugs, fingers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import Field, between, chance, pick
from .mesh import drop_empty, outward, ring_faces, rotation_about, rotation_between, sheet_faces, tube
from .textures import tint

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Thing:
    """A coloured mesh in the world: one color a vertex, or a texture with coordinates."""

    name: str
    vertices: Floats
    faces: NDArray[np.int32]
    colour: Floats | None = None  # (V, 3)
    texture: Floats | None = None  # (h, w, 3), linear reflectance
    uv: Floats | None = None  # (V, 2), v upwards
    roughness: float = 0.5


@dataclass(frozen=True)
class Dish:
    """A plate, tray or board: its mesh, where its floor is flat, and how high."""

    thing: Thing
    floor_mm: float
    reach: float  # half width of the flat floor, mm
    outer: float
    aspect: float
    square: float  # superellipse exponent, 2 = round
    turn: float
    profile: Floats  # (n, 2): share of the outer radius, height mm

    def local(self, x: Floats, y: Floats) -> Floats:
        """Share of the outer radius at a place (0 centre, 1 rim)."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        u, v = (c * x + s * y) / self.outer, (-s * x + c * y) / (self.outer * self.aspect)
        return (np.abs(u) ** self.square + np.abs(v) ** self.square) ** (1 / self.square)

    def heights(self, x: Floats, y: Floats) -> Floats:
        """Height of the upper side, 0 outside."""
        share = self.local(x, y)
        return np.where(share <= 1, np.interp(share, self.profile[:, 0], self.profile[:, 1]), 0.0)


def flat(
    name: str,
    width: float,
    depth: float,
    z: float,
    texture: Floats,
    *,
    turn: float = 0.0,
    centre: tuple[float, float] = (0, 0),
    repeat: float = 1.0,
    roughness: float = 0.5,
    curl: float = 0.0,
) -> Thing:
    """A rectangle (table, cloth, card) at height z, texture `repeat` times across; `curl` mm at its ends."""
    n = 25
    u, v = np.meshgrid(np.linspace(0, 1, n), np.linspace(0, 1, n))
    x, y = (u - 0.5) * width, (v - 0.5) * depth
    c, s = np.cos(turn), np.sin(turn)
    height = z + curl * (2 * u - 1) ** 2 if curl >= 0 else z - curl * (1 - (2 * u - 1) ** 2)
    points = np.stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y, height + 0 * x], -1).reshape(-1, 3)
    uv = (
        np.stack([u * repeat, v * repeat * depth / width], -1).reshape(-1, 2)
        if repeat != 1
        else np.stack([u, v], -1).reshape(-1, 2)
    )
    return Thing(name, points, sheet_faces(n, n), texture=texture, uv=uv, roughness=roughness)


def dish(
    rng: np.random.Generator, outer: float, *, kind: str | None = None, vivid: float = 0.3, base: float = 0.0
) -> Dish:
    """A plate, coupe, shallow bowl, tray or board of half width about `outer` mm."""
    kind = kind or pick(rng, {"rimmed": 0.4, "coupe": 0.25, "tray": 0.2, "board": 0.15})
    floor = between(rng, 2.5, 7.0)
    if kind == "rimmed":
        well, wall, rise = between(rng, 0.66, 0.8), between(rng, 0.03, 0.07), between(rng, 6, 18)
        profile = [(0, floor), (well, floor), (well + wall, floor + 0.7 * rise), (1, floor + rise), (1.0, 0.5)]
        square, aspect = 2.0, 1.0 if chance(rng, 0.75) else between(rng, 0.7, 0.95)
    elif kind == "coupe":
        well = between(rng, 0.72, 0.86)
        t = np.linspace(0, 1, 8)
        rise = between(rng, 10, 28)
        profile = [(0, floor), *zip(well + (1 - well) * t, floor + rise * t**2, strict=True), (1.0, 0.5)]
        square, aspect = 2.0, 1.0
    elif kind == "tray":
        well, rise = between(rng, 0.86, 0.93), between(rng, 6, 25)
        profile = [(0, floor), (well, floor), (well + 0.03, floor + rise), (1, floor + rise + 1), (1.0, 0.5)]
        square, aspect = between(rng, 5, 12), between(rng, 0.6, 0.9)
    else:
        floor = between(rng, 8, 22)
        well = 0.99
        profile = [(0, floor), (well, floor), (1.0, floor - 1.5), (1.0, 0.5)]
        square, aspect = between(rng, 4, 14), between(rng, 0.55, 0.85)
    curve = np.array(profile, float)
    curve[:, 1] += base
    fine = np.concatenate(
        [np.linspace(curve[k], curve[k + 1], 5, endpoint=False) for k in range(len(curve) - 1)] + [curve[-1:]]
    )
    columns = 128
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    edge = (np.abs(np.cos(angle)) ** square + np.abs(np.sin(angle)) ** square) ** (-1 / square)
    turn = between(rng, 0, np.pi)
    r = fine[:, :1] * edge * outer
    local = np.stack([r * np.cos(angle), r * np.sin(angle) * aspect], -1)
    c, s = np.cos(turn), np.sin(turn)
    x, y = c * local[..., 0] - s * local[..., 1], s * local[..., 0] + c * local[..., 1]
    points = np.stack([x, y, np.broadcast_to(fine[:, 1:], x.shape)], -1).reshape(-1, 3)
    faces = drop_empty(points, ring_faces(len(fine), columns))
    body, band = tint(rng, vivid), tint(rng, vivid)
    share = np.repeat(fine[:, 0], columns)
    paint = np.tile(body, (len(points), 1))
    if kind in ("rimmed", "coupe") and chance(rng, 0.35):
        paint[share > between(rng, 0.85, 0.97)] = band
    if kind == "rimmed" and chance(rng, 0.15):
        paint[share > well + 0.02] = band
    thing = Thing(
        kind,
        points,
        faces,
        colour=paint,
        roughness=between(rng, 0.1, 0.5) if kind != "board" else 0.55,
    )
    return Dish(
        thing,
        float(curve[0, 1]),
        well * outer * min(1.0, aspect),
        outer,
        aspect,
        square,
        turn,
        curve[:-1] if kind != "board" else curve,
    )


def round_body(rng: np.random.Generator, kind: str) -> Thing:
    """Other produce: tomato, apple, lime, cucumber; centred on its origin, stem end up."""
    rows, columns = 48, 72
    phi, theta = np.meshgrid(
        np.linspace(-np.pi / 2, np.pi / 2, rows), np.linspace(0, 2 * np.pi, columns, endpoint=False), indexing="ij"
    )
    size = {
        "tomato": between(rng, 24, 42),
        "apple": between(rng, 32, 44),
        "lime": between(rng, 22, 32),
        "cucumber": between(rng, 14, 24),
    }[kind]
    tall = {
        "tomato": between(rng, 0.72, 1.0),
        "apple": between(rng, 0.85, 1.0),
        "lime": between(rng, 1.1, 1.3),
        "cucumber": between(rng, 3, 6),
    }[kind]
    power = 0.35 if kind == "cucumber" else 1.0
    r = size * np.cos(phi) ** power
    z = size * tall * np.sin(phi)
    share = np.cos(phi)
    z = z - np.where(
        phi > 0, {"tomato": 0.12, "apple": 0.4}.get(kind, 0.0) * size * np.exp(-((share / 0.35) ** 2)), 0
    )
    ribs = 1 + (
        0.03 * np.cos(int(rng.integers(4, 9)) * theta) * (0.5 + 0.5 * np.sin(phi))
        if kind == "tomato" and chance(rng, 0.5)
        else 0
    )
    points = np.stack([r * ribs * np.cos(theta), r * ribs * np.sin(theta), z], -1).reshape(-1, 3)
    points *= (1 + 0.015 * Field(rng, 1.4)(points / size))[:, None]
    if kind == "cucumber":
        points[:, 0] += between(rng, -12, 12) * (points[:, 2] / (size * tall)) ** 2
    palettes = {
        "tomato": [(186, 40, 26), (206, 60, 30), (214, 120, 40), (150, 150, 60)],
        "apple": [(150, 30, 34), (196, 160, 70), (124, 160, 60), (180, 70, 50)],
        "lime": [(84, 130, 44), (222, 190, 60), (226, 130, 40)],
        "cucumber": [(46, 82, 36), (66, 110, 50)],
    }
    choices = palettes[kind]
    base = colours.from_bytes(
        *(np.clip(np.array(choices[int(rng.integers(len(choices)))]) + rng.normal(size=3) * 10, 5, 245))
    )
    other = colours.from_bytes(*choices[int(rng.integers(len(choices)))])
    mix = np.clip(0.5 + Field(rng, 1.5, octaves=3)(points / size), 0, 1)[:, None] * between(rng, 0, 0.8)
    paint = np.clip(
        (base * (1 - mix) + other * mix) * (1 + 0.05 * Field(rng, 0.3)(points / size))[:, None], 0.005, 0.9
    )
    faces = drop_empty(points, ring_faces(rows, columns))
    if kind == "tomato" and chance(rng, 0.6):
        points, faces, paint = _with_star(rng, points, faces, paint, size)
    return Thing(
        kind,
        points,
        outward(points, faces),
        colour=paint,
        roughness=between(rng, 0.15, 0.5),
    )


def _with_star(
    rng: np.random.Generator, points: Floats, faces: NDArray[np.int32], paint: Floats, size: float
) -> tuple[Floats, NDArray[np.int32], Floats]:
    green = colours.from_bytes(70, 110, 44)
    top = points[:, 2].max()
    for k in range(int(rng.integers(5, 7))):
        angle = k * 2 * np.pi / 5.5
        t = np.linspace(0, 1, 8)
        reach = size * between(rng, 0.35, 0.6)
        centres = np.stack(
            [np.cos(angle) * reach * t, np.sin(angle) * reach * t, top - 2 + 2.5 * t * (1 - t) * 4 - 3 * t**2], -1
        )
        leaf, leaf_faces = tube(centres, np.linspace(1.6, 0.3, 8), 8)
        faces = np.concatenate([faces, leaf_faces + len(points)])
        points, paint = np.concatenate([points, leaf]), np.concatenate([paint, np.tile(green, (len(leaf), 1))])
    return points, faces, paint


def box(rng: np.random.Generator) -> Thing:
    """A box or block with rounded corners, standing on z = 0."""
    half = rng.uniform([12, 12, 6], [70, 60, 60])
    rows, columns = 40, 64
    phi, theta = np.meshgrid(
        np.linspace(-np.pi / 2, np.pi / 2, rows), np.linspace(0, 2 * np.pi, columns, endpoint=False), indexing="ij"
    )
    unit = np.stack([np.cos(phi) * np.cos(theta), np.cos(phi) * np.sin(theta), np.sin(phi)], -1).reshape(-1, 3)
    unit = unit / (np.abs(unit) ** 14).sum(axis=1, keepdims=True) ** (1 / 14)
    points = unit * half + [0, 0, half[2]]
    paint = np.tile(tint(rng, 0.5), (len(points), 1))
    if chance(rng, 0.4):
        paint[np.abs(points[:, 2] - half[2]) < half[2] * 0.4] = tint(rng, 0.5)
    return Thing(
        "box",
        points,
        outward(points, drop_empty(points, ring_faces(rows, columns))),
        colour=paint,
        roughness=between(rng, 0.15, 0.7),
    )


def mug(rng: np.random.Generator) -> Thing:
    """A mug or glass-like cup with a handle, standing on z = 0."""
    r, h = between(rng, 30, 45), between(rng, 60, 110)
    profile = np.array([[0, 0], [r * 0.9, 0], [r, 4], [r, h], [r - 3, h], [r - 3, 5], [0, 5]])
    fine = np.concatenate(
        [np.linspace(profile[k], profile[k + 1], 8, endpoint=False) for k in range(6)] + [profile[-1:]]
    )
    angle = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    points = np.stack(
        [fine[:, :1] * np.cos(angle), fine[:, :1] * np.sin(angle), np.broadcast_to(fine[:, 1:], (len(fine), 64))],
        -1,
    ).reshape(-1, 3)
    faces = drop_empty(points, ring_faces(len(fine), 64))
    t = np.linspace(-np.pi / 2, np.pi / 2, 16)
    handle, handle_faces = tube(
        np.stack([r - 2 + 22 * np.cos(t), 0 * t, h / 2 + h * 0.3 * np.sin(t)], -1), np.full(16, 5.0), 12
    )
    faces = np.concatenate([faces, handle_faces + len(points)])
    points = np.concatenate([points, handle])
    return Thing(
        "mug",
        points,
        faces,
        colour=np.tile(tint(rng, 0.5), (len(points), 1)),
        roughness=between(rng, 0.1, 0.4),
    )


def fingers(rng: np.random.Generator, tip: Floats, away: Floats) -> Thing:
    """Two to four fingers reaching from outside (direction `away`, horizontal) to `tip`, with a piece of hand."""
    skin = colours.unlab(np.array([between(rng, 35, 75), between(rng, 9, 18), between(rng, 14, 26)]))
    side = np.cross([0, 0, 1.0], away)
    points, faces, start = [], [], 0
    count = int(rng.integers(2, 5))
    t = np.linspace(0, 1, 22)
    for k in range(count):
        thick = between(rng, 7, 9.5)
        reach = between(rng, 70, 95)
        base = tip + side * (k - (count - 1) / 2) * 17 + away * between(rng, -6, 8)
        bend = np.array([0, 0, 1.0]) * between(rng, 8, 26)
        centres = base + away * reach * t[:, None] + bend * (4 * t * (1 - t))[:, None] + [0, 0, 9]
        radii = (
            thick * np.sqrt(np.clip(1 - (1 - np.clip(t / 0.1, 0, 1)) ** 2, 0.02, 1)) * (1 + 0.06 * np.sin(t * 9))
        )
        p, f = tube(centres, radii, 20)
        points.append(p)
        faces.append(f + start)
        start += len(p)
    palm_centre = tip + away * 118 + [0, 0, 14]
    u = np.linspace(0, 1, 20)
    palm, palm_faces = tube(
        palm_centre + (u[:, None] - 0.5) * side * 80, 26 * np.sqrt(np.clip(1 - (2 * u - 1) ** 4, 0.02, 1)), 24
    )
    points.append(palm)
    faces.append(palm_faces + start)
    start += len(palm)
    arm, arm_faces = tube(
        palm_centre + away * np.linspace(0, 260, 12)[:, None] + np.linspace(0, 60, 12)[:, None] * [0, 0, 1.0],
        np.full(12, 29.0),
        24,
    )
    points.append(arm)
    faces.append(arm_faces + start)
    every = np.concatenate(points)
    paint = np.clip(skin * (1 + 0.07 * Field(rng, 18, octaves=2)(every))[:, None], 0.01, 0.85)
    return Thing("fingers", every, np.concatenate(faces), colour=paint, roughness=0.5)


def moved(thing: Thing, rotation: Floats, shift: Floats) -> Thing:
    """The same thing elsewhere."""
    return Thing(
        thing.name,
        thing.vertices @ rotation.T + shift,
        thing.faces,
        thing.colour,
        thing.texture,
        thing.uv,
        thing.roughness,
    )


def turned(rng: np.random.Generator, lying: bool) -> Floats:
    """A random turn about the vertical, on the side if `lying`."""
    spin = rotation_about(np.array([0, 0, 1.0]), between(rng, 0, 2 * np.pi))
    return spin @ rotation_between(np.array([0, 0, 1.0]), np.array([1.0, 0, 0])) if lying else spin
