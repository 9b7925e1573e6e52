"""The first fruit generator: bodies swept from a superelliptic meridian, lobes as sectors with creases between.

Its skin is painted in `first_skin`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import Field, between, chance, pick
from .first_skin import painted
from .mesh import drop_empty, outward, ring_faces, tube
from .model import BODY, CALYX, STEM, FruitModel

Floats = NDArray[np.floating[Any]]

FAMILIES = {"blocky": 0.55, "long": 0.2, "flat": 0.13, "pointed": 0.12}


@dataclass(frozen=True)
class _Build:
    """What the body's surface is computed from."""

    diameter: float
    length: float
    meridian: Floats  # (n, 2): radius 0..1, height -0.5..0.5, from blossom end to stem, evenly spaced along it
    edges: Floats  # (lobes,) crease directions, rad
    crest: Floats  # (lobes,) radius factor of each lobe
    crease: Floats  # (lobes,) depth of the crease after each edge
    roundness: float
    raise_top: Floats  # (lobes,) mm, shoulder of each lobe
    raise_bottom: Floats  # (lobes,) mm, blossom end of each lobe
    well: float  # mm, depth of the stem well
    dimple: float
    bend: Floats  # (2,) mm sideways at the ends
    lean: Floats  # (2,) mm sideways, growing from end to end
    oval: tuple[float, float]
    bumps: Field
    bump: float


def make_fruit(rng: np.random.Generator, colour: str, *, amount: float | None = None, **wishes: Any) -> FruitModel:
    """One invented pepper.

    Parameters
    ----------
    rng : numpy.random.Generator
    colour : str
        What the pepper is called when fully colored.
    amount : float, optional
        Share of the skin that is fully colored (at the line 0.5); drawn when not given.
    **wishes
        `family` ("blocky", "long", "flat", "pointed"), `lobes`, `stem` ("full", "stub", "missing"), `pattern`,
        `softness`, `blemishes` (bool), `detail` (1 = about 30,000 faces).
    """
    detail = float(wishes.get("detail", 1.0))
    columns, rows = int(200 * detail**0.5), int(76 * detail**0.5)
    family = wishes.get("family") or pick(rng, FAMILIES)
    lobes = int(wishes.get("lobes") or rng.choice([2, 3, 4, 5], p=[0.07, 0.4, 0.45, 0.08]))
    build = _draw_build(rng, family, lobes)
    s, theta = np.linspace(0, 1, rows), np.linspace(0, 2 * np.pi, columns, endpoint=False)
    s_grid, theta_grid = np.meshgrid(s, theta, indexing="ij")
    body = _surface(build, s_grid, theta_grid).reshape(-1, 3)
    body_faces = ring_faces(rows, columns)
    calyx, calyx_faces = _calyx(rng, build, detail)
    stem_kind = wishes.get("stem") or pick(rng, {"full": 0.68, "stub": 0.22, "missing": 0.1})
    stem, stem_faces = _stem(rng, build, stem_kind)

    vertices = np.concatenate([body, calyx, stem])
    parts, faces, start = [], [], 0
    for code, points, part in ((BODY, body, body_faces), (CALYX, calyx, calyx_faces), (STEM, stem, stem_faces)):
        kept = drop_empty(points, part)
        kept = outward(points, kept) if code != CALYX else kept
        faces.append(kept + start)
        parts.append(np.full(len(kept), code, np.uint8))
        start += len(points)

    skin, ripeness, blemish, notes = painted(rng, body, body_faces, colour, amount, wishes)
    green, ends = _green_parts(rng, calyx, stem, stem_kind)
    rest = len(calyx) + len(stem)
    centre = (body.max(axis=0) + body.min(axis=0)) / 2 * [0, 0, 1]
    return FruitModel(
        vertices=vertices - centre,
        faces=np.concatenate(faces).astype(np.int32),
        face_part=np.concatenate(parts),
        vertex_reflectance=np.concatenate([skin, green, ends]).astype(np.float32),
        vertex_ripeness=np.concatenate([ripeness, np.zeros(rest)]).astype(np.float32),
        vertex_blemish=np.concatenate([blemish, np.zeros(rest, np.uint8)]),
        colour=colour,
        lobes=lobes,
        notes={
            "generator": "first",
            "family": family,
            "stem": stem_kind,
            "gloss": round(between(rng, 0.16, 0.4), 3),
            **notes,
        },
    )


def _draw_build(rng: np.random.Generator, family: str, lobes: int) -> _Build:
    slim = {"blocky": (0.85, 1.3), "long": (1.5, 2.3), "flat": (0.55, 0.78), "pointed": (1.3, 2.1)}[family]
    wide = {"blocky": (58, 98), "long": (46, 72), "flat": (62, 98), "pointed": (44, 74)}[family]
    diameter = between(rng, *wide)
    length = diameter * between(rng, *slim)
    shares = 1 + between(rng, 0.0, 0.3) * rng.uniform(-1, 1, lobes)
    edges = np.cumsum(shares) / shares.sum() * 2 * np.pi + between(rng, 0, 2 * np.pi)
    pointed = family == "pointed"
    deep = between(rng, 0.02, 0.17) * (0.5 if pointed else 1.0)
    return _Build(
        diameter=diameter,
        length=length,
        meridian=_meridian(rng, family),
        edges=np.sort(edges % (2 * np.pi)),
        crest=1 + between(rng, 0, 0.07) * rng.uniform(-1, 1, lobes),
        crease=deep * rng.uniform(0.5, 1.5, lobes),
        roundness=between(rng, 2.0, 3.4),
        raise_top=between(rng, 1, 8) * rng.uniform(0.4, 1.3, lobes) * diameter / 80,
        raise_bottom=(0.15 if pointed else 1.0)
        * between(rng, 1, 11)
        * rng.uniform(0.2, 1.4, lobes)
        * diameter
        / 80,
        well=between(rng, 4, 15) * diameter / 80,
        dimple=0.0 if pointed else between(rng, 2, 12) * diameter / 80,
        bend=rng.normal(size=2) * length * (0.05 if family in ("long", "pointed") else 0.02),
        lean=rng.normal(size=2) * diameter * 0.025,
        oval=(between(rng, 0, 0.05), between(rng, 0, np.pi)),
        bumps=Field(rng, 1.1, octaves=3, fade=0.45),
        bump=between(rng, 0.003, 0.014),
    )


def _meridian(rng: np.random.Generator, family: str) -> Floats:
    """Radius (0..1) and height (-0.5..0.5) from blossom end to stem, evenly spaced along the curve."""
    fullness_top, fullness_bottom = between(rng, 0.42, 0.7), between(rng, 0.45, 0.8)
    narrowing = {"blocky": (0.0, 0.22), "long": (0.15, 0.45), "flat": (0.0, 0.15), "pointed": (0.3, 0.55)}[family]
    taper = between(rng, *narrowing)
    if family == "pointed":
        fullness_bottom = between(rng, 0.9, 1.1)
    phi = np.linspace(-np.pi / 2, np.pi / 2, 4000)
    power = np.where(phi > 0, fullness_top, fullness_bottom)
    radius = np.abs(np.cos(phi)) ** power
    height = np.sign(phi) * np.abs(np.sin(phi)) ** np.where(phi > 0, fullness_top * 1.15, fullness_bottom)
    waist = between(rng, -0.04, 0.05)
    low = (1 - height) / 2
    radius = radius * (1 - taper * low ** between(rng, 1.0, 1.8)) * (1 - waist * (1 - height**2))
    radius /= radius.max()
    curve = np.stack([radius, height / 2], axis=-1)
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    even = np.linspace(0, way[-1], 600)
    return np.stack([np.interp(even, way, curve[:, 0]), np.interp(even, way, curve[:, 1])], axis=-1)


def _surface(build: _Build, s: Floats, theta: Floats) -> Floats:
    """Points (..., 3) of the body at meridian share `s` (0 blossom end, 1 stem) and direction `theta`."""
    grid = np.linspace(0, 1, len(build.meridian))
    radius, height = np.interp(s, grid, build.meridian[:, 0]), np.interp(s, grid, build.meridian[:, 1])
    lobe, u = _sector(build.edges, theta)
    count = len(build.edges)
    after = np.where(u >= 0, (lobe + 1) % count, lobe)
    ends = np.abs(2 * height) ** 2
    depth = build.crease[after] * (0.45 + 0.75 * ends)
    level = (build.crest[lobe] + build.crest[(after + np.where(u >= 0, 0, -1)) % count]) / 2
    shape = np.abs(u) ** build.roundness
    factor = (
        build.crest[lobe] * (1 - shape)
        + level * shape
        - depth * (0.3 * u**2 + 0.7 * np.abs(u) ** (2 * build.roundness))
    )
    strength, direction = build.oval
    factor = factor * (1 + strength * np.cos(2 * (theta - direction)))
    r = radius * factor * build.diameter / 2
    z = height * build.length
    rim = np.exp(-(((radius - 0.6) / 0.33) ** 2)) * (1 - shape)
    z = (
        z
        + np.where(height > 0, build.raise_top[lobe], -build.raise_bottom[lobe]) * rim * np.abs(2 * height) ** 1.5
    )
    z = z - np.where(height > 0, build.well * np.exp(-((radius / 0.36) ** 2)), 0)
    z = z + np.where(height < 0, build.dimple * np.exp(-((radius / 0.3) ** 2)), 0)
    points = np.stack([r * np.cos(theta), r * np.sin(theta), z], axis=-1)
    unit = np.stack([radius * np.cos(theta), radius * np.sin(theta), 2 * height], axis=-1)
    points = points * (1 + build.bump * build.bumps(unit)[..., None] * np.array([1, 1, 0.5]))
    t = (points[..., 2] / (build.length / 2))[..., None]
    points[..., :2] += build.bend * (t**2 - 0.4) + build.lean * t * (radius[..., None] > -1)
    return points


def _sector(edges: Floats, theta: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Lobe number and position in it (-1 at its first crease, 1 at its last)."""
    theta = theta % (2 * np.pi)
    count = len(edges)
    lobe = (np.searchsorted(edges, theta, side="right") - 1) % count
    start = edges[lobe]
    width = (edges[(lobe + 1) % count] - start) % (2 * np.pi)
    width = np.where(width == 0, 2 * np.pi, width)
    return lobe, ((theta - start) % (2 * np.pi)) / width * 2 - 1


def _arc_from_stem(build: _Build, millimetres: Floats) -> Floats:
    """Meridian share `s` that lies this far from the stem's centre, measured out from the axis."""
    top = build.meridian[::-1]
    reach = top[:, 0] * build.diameter / 2
    rising = np.maximum.accumulate(reach)
    return 1 - np.interp(millimetres, rising + np.linspace(0, 1e-6, len(rising)), np.linspace(0, 1, len(rising)))


def _calyx(rng: np.random.Generator, build: _Build, detail: float) -> tuple[Floats, NDArray[np.int32]]:
    """A thin star of sepals that follows the shoulder, from the stem outwards."""
    columns, rows = int(150 * detail**0.5), 12
    theta = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    points = int(rng.integers(5, 9))
    phase = between(rng, 0, 2 * np.pi)
    local = (theta * points / (2 * np.pi) + phase) % 1
    which = np.floor(theta * points / (2 * np.pi) + phase).astype(int) % points
    tip = rng.uniform(0.5, 1.25, points)[which]
    sharp = between(rng, 0.7, 1.8)
    base = between(rng, 0.15, 0.21) * build.diameter / 2 + 3.5
    reach = base + between(rng, 2.5, 9) * build.diameter / 80 * tip * (1 - np.abs(2 * local - 1)) ** sharp
    reach = reach * (1 + 0.06 * Field(rng, 1.5)(np.stack([np.cos(theta), np.sin(theta), 0 * theta], -1)))
    share = np.linspace(0.02, 1, rows)[:, None]
    s = _arc_from_stem(build, np.minimum(share * reach, 0.8 * build.diameter / 2))
    theta_grid = np.broadcast_to(theta, s.shape)
    surface = _surface(build, s, theta_grid)
    step = 1e-3
    along = _surface(build, np.clip(s + step, 0, 1), theta_grid) - _surface(
        build, np.clip(s - step, 0, 1), theta_grid
    )
    across = _surface(build, s, theta_grid + step) - _surface(build, s, theta_grid - step)
    normal = np.cross(across, along)
    normal /= np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-9)
    curl = between(rng, 0, 2.5) if chance(rng, 0.4) else 0.0
    lift = 0.9 + 1.0 * (1 - share) + curl * share**4
    outer = surface + normal * lift[..., None]
    rim = surface[-1:] + normal[-1:] * (lift[-1:, :, None] - 0.8)
    return np.concatenate([outer, rim]).reshape(-1, 3), ring_faces(rows + 1, columns)[:, ::-1].copy()


def _stem(rng: np.random.Generator, build: _Build, kind: str) -> tuple[Floats, NDArray[np.int32]]:
    well = _surface(build, np.array([1.0]), np.array([0.0]))[0]
    length = {"full": between(rng, 14, 40), "stub": between(rng, 4, 11), "missing": between(rng, 0.8, 2.0)}[kind]
    thick = between(rng, 3.4, 6.2) * (build.diameter / 80) ** 0.5
    steps, columns = 26, 30
    t = np.linspace(0, 1, steps)
    curve = rng.normal(size=2) * 0.25 * length * (kind == "full")
    centres = np.stack([well[0] + curve[0] * t**2, well[1] + curve[1] * t**2, well[2] - 0.5 + length * t], axis=-1)
    profile = thick * (1 + between(rng, 0.3, 0.8) * np.exp(-t * length / 5) + between(rng, 0.0, 0.25) * t**6)
    if kind == "missing":
        profile = np.full(steps, thick * 0.9)
    profile[-1] *= 0.93
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    ribs = 1 + between(rng, 0.02, 0.09) * np.cos(int(rng.integers(5, 7)) * angle + between(rng, 0, 6))
    points, faces = tube(centres, profile[:, None] * ribs, columns)
    return points, faces


def _green_parts(rng: np.random.Generator, calyx: Floats, stem: Floats, kind: str) -> tuple[Floats, Floats]:
    """Reflectance of calyx and stem: fresh green, sometimes dry, a pale or brown cut at the end."""
    fresh = colours.from_bytes(*(np.array([86, 122, 44]) + rng.normal(size=3) * [12, 10, 8]))
    dry = colours.from_bytes(122, 98, 58)
    brown = between(rng, 0.3, 0.9) if chance(rng, 0.2) else between(rng, 0, 0.12)
    parts = []
    for points in (calyx, stem):
        shade = 1 + 0.1 * Field(rng, 6, octaves=2)(points)
        parts.append((fresh * (1 - brown) + dry * brown) * shade[:, None])
    top = stem[:, 2] > stem[:, 2].max() - (0.6 if kind != "missing" else 5)
    cut = colours.from_bytes(*(np.array([150, 140, 88]) + rng.normal(size=3) * 14))
    parts[1][top] = cut * (1 + 0.1 * rng.normal(size=(int(top.sum()), 1)))
    return np.clip(parts[0], 0.005, 0.95), np.clip(parts[1], 0.005, 0.95)
