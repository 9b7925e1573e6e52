"""The second pepper family: an implicit surface of lobe blobs, for the judging plates alone.

Nothing is shared with the first family but the dataclass: the body is the zero set of a smooth union of
super-ellipsoidal lobes on Bezier spines, meshed by marching cubes; calyx and stem are shells laid on it.
So what was tuned on the first family is judged on shapes and skins it has never seen.
Shapes are invented; only their ranges (diameters 55-110 mm, lengths 50-150 mm) follow what shops sell
(common practice, no published source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, zoom
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist
from skimage.measure import marching_cubes

from sample_images.maker.model import BODY, CALYX, SOUND, STEM, FruitModel
from sample_images.maker.second_skin import (
    green_part_reflectance,
    neighbour_mean,
    paint,
    vertex_normals,
)

Array = NDArray[np.float64]

TARGET_BODY_FACES = 20_000
DIAMETER_MM = (55.0, 110.0)
LENGTH_MM = (50.0, 150.0)


@dataclass(frozen=True)
class Kind:
    """A shape family: length by diameter, and Bezier control values from blossom end to stem, in radii."""

    share: float
    slenderness: tuple[float, float]
    spine: tuple[float, float, float, float]
    width: tuple[float, float, float, float]
    squareness: tuple[float, float]
    tip: tuple[
        float, float
    ]  # how far the core reaches beyond (+) or stays behind (-) the lobes' ends, in half lengths


KINDS = {
    "blocky": Kind(
        0.40, (0.88, 1.20), (0.42, 0.52, 0.52, 0.46), (0.44, 0.50, 0.50, 0.46), (3.0, 5.5), (-0.22, -0.06)
    ),
    "long": Kind(
        0.20, (1.30, 1.85), (0.30, 0.46, 0.52, 0.44), (0.36, 0.48, 0.52, 0.48), (2.8, 4.5), (-0.10, 0.03)
    ),
    "flat": Kind(
        0.15, (0.66, 0.86), (0.48, 0.56, 0.56, 0.50), (0.42, 0.46, 0.46, 0.44), (2.4, 3.6), (-0.30, -0.12)
    ),
    "tapered": Kind(
        0.25, (1.10, 1.60), (0.06, 0.26, 0.56, 0.44), (0.18, 0.36, 0.56, 0.48), (2.2, 3.4), (-0.04, 0.08)
    ),
}


def make_fruit(rng: np.random.Generator, colour: str, *, amount: float | None = None, **wishes: Any) -> FruitModel:
    """Draw one pepper of the second family.

    Parameters
    ----------
    rng : numpy Generator
        The same state and arguments give the same pepper.
    colour : str
        "red", "orange", "yellow", "green", "purple", "white" or "brown".
    amount : float, optional
        Wanted share of the skin that is not fully coloured, 0..1; drawn when left out.
    **wishes
        ``kind`` (blocky, long, flat, tapered), ``lobes`` (2-5), ``diameter_mm``, ``length_mm``, ``stem``
        ("stem" or "full", "stub", "missing"), ``stem_mm``, ``pattern``, ``blemishes``
        (False for none). Others are only noted.

    Raises
    ------
    ValueError
        An unknown colour, kind, stem or pattern; an amount outside 0..1.
    """
    kind_name = wishes.get("kind") or str(rng.choice(list(KINDS), p=[k.share for k in KINDS.values()]))
    if kind_name not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, not {kind_name!r}")
    kind = KINDS[kind_name]
    diameter, length = _size(rng, kind, wishes)
    lobes = int(wishes.get("lobes") or rng.choice([2, 3, 4, 5], p=[0.06, 0.40, 0.46, 0.08]))
    field, axes = _field(rng, kind, lobes, diameter, length)
    vertices, faces = marching_cubes(field, 0.0, spacing=tuple(float(a[1] - a[0]) for a in axes))[:2]
    vertices = vertices.astype(np.float64) + [a[0] for a in axes]
    faces = _outward(vertices, faces.astype(np.int32))
    vertices = _relax(vertices, faces)
    # The blobs give the shape; the wanted size is then set exactly, across and along the axis.
    stretch = np.array([*[diameter / _across(vertices)] * 2, length / np.ptp(vertices[:, 2])])
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
    top = _TopSurface(field, axes, middle, stretch)
    body = (vertices - middle) * stretch

    calyx, calyx_faces, reach = _calyx(rng, top, diameter, centre=-middle[:2] * stretch[:2])
    stem, stem_faces, stem_kind, stem_mm = _stem(rng, top, diameter, -middle[:2] * stretch[:2], wishes)
    under_calyx = np.hypot(*(body[:, :2] + middle[:2] * stretch[:2]).T) < reach
    under_calyx &= body[:, 2] > 0
    skin = paint(rng, colour, body, faces, ~under_calyx, amount, wishes)
    green = green_part_reflectance(rng, np.concatenate([calyx, stem]), len(calyx), colour)

    rest = len(calyx) + len(stem)
    return FruitModel(
        vertices=np.concatenate([body, calyx, stem]),
        faces=np.concatenate([faces, calyx_faces + len(body), stem_faces + len(body) + len(calyx)]).astype(
            np.int32
        ),
        face_part=np.repeat(
            np.array([BODY, CALYX, STEM], np.uint8), [len(faces), len(calyx_faces), len(stem_faces)]
        ),
        vertex_reflectance=np.concatenate([skin.reflectance, green]).astype(np.float32),
        vertex_ripeness=np.concatenate([skin.ripeness, np.ones(rest)]).astype(np.float32),
        vertex_blemish=np.concatenate([skin.blemish, np.full(rest, SOUND)]).astype(np.uint8),
        colour=colour,
        lobes=lobes,
        notes={
            "generator": "second",
            "family": "second",
            "kind": kind_name,
            "diameter_mm": diameter,
            "length_mm": length,
            "stem": stem_kind,
            "stem_mm": stem_mm,
            **skin.notes,
            "wishes": dict(wishes),
        },
    )


def _size(rng: np.random.Generator, kind: Kind, wishes: dict[str, Any]) -> tuple[float, float]:
    diameter = float(wishes.get("diameter_mm") or 55 + 55 * rng.beta(2.2, 2.6))
    length = float(wishes.get("length_mm") or diameter * rng.uniform(*kind.slenderness))
    return float(np.clip(diameter, *DIAMETER_MM)), float(np.clip(length, *LENGTH_MM))


def _bezier(control: NDArray[Any], t: Array) -> Array:
    """Cubic Bernstein polynomial with four control values, t clipped to 0..1."""
    t = np.clip(t, 0, 1)
    s = 1 - t
    a, b, c, d = control
    return np.asarray(a * s**3 + 3 * b * s * s * t + 3 * c * s * t * t + d * t**3)


def _field(
    rng: np.random.Generator, kind: Kind, lobes: int, diameter: float, length: float
) -> tuple[Array, tuple[Array, Array, Array]]:
    """Signed field (negative inside, roughly millimetres) on a regular grid, and the grid's three axes."""
    radius, half = diameter / 2, length / 2
    skin = np.pi * diameter * (0.85 * length + 0.3 * diameter)
    step = np.sqrt(2.05 * skin / TARGET_BODY_FACES)
    axes = tuple(np.arange(-1.3 * e - 3 * step, 1.3 * e + 4 * step, step) for e in (radius, radius, half))
    x, y, z = np.meshgrid(*axes, indexing="ij", sparse=True)
    t = (z / half + 1) / 2
    # The spine of the whole fruit bows sideways but both ends stay on the axis.
    bow = rng.normal(0, 0.05, (2, 2)) * length
    x = x - _bezier(np.array([0, bow[0, 0], bow[0, 1], 0]), t)
    y = y - _bezier(np.array([0, bow[1, 0], bow[1, 1], 0]), t)

    sharp = radius * rng.uniform(0.04, 0.14)
    total = np.exp(-_core(rng, kind, radius, half, x, y, z) / sharp)
    turn = rng.uniform(0, 2 * np.pi)
    squeeze = 1 + 0.10 * rng.normal(size=lobes).clip(-1.5, 1.5)
    for i in range(lobes):
        angle = turn + 2 * np.pi * (i + 0.14 * rng.normal()) / lobes
        total = total + np.exp(-_lobe(rng, kind, lobes, angle, squeeze[i], radius, half, x, y, z) / sharp)
    field = -sharp * np.log(total + 1e-300)
    field = np.minimum(field, 0.5 * radius)

    sink = rng.uniform(0.02, 0.16) * radius
    hollow = radius * rng.uniform(0.20, 0.34)
    field += sink * np.exp(-(x**2 + y**2) / hollow**2) * np.clip(2 * z / half - 0.6, 0, 1)
    dents = zoom(rng.normal(size=(5, 5, 6)), np.array(field.shape) / (5, 5, 6), order=3)[
        : field.shape[0], : field.shape[1], : field.shape[2]
    ]
    return field + rng.uniform(0.2, 0.9) * dents, axes


def _core(rng: np.random.Generator, kind: Kind, radius: float, half: float, x: Array, y: Array, z: Array) -> Array:
    """The flesh between the lobes; its ends set how deep calyx and blossom end lie, or how far a tip reaches."""
    top = half * (1 - rng.uniform(0.05, 0.20))
    bottom = half * (1 + rng.uniform(*kind.tip))
    middle = 0.15 * half
    u = np.where(z > middle, (z - middle) / (top - middle), (middle - z) / (middle + bottom))
    across = radius * (_bezier(np.array(kind.spine), (z / half + 1) / 2) * 0.95 + 0.22)
    level = (x / across) ** 2 + (y / (across * rng.uniform(0.92, 1.08))) ** 2 + np.abs(u) ** rng.uniform(2.2, 4)
    return (np.sqrt(level) - 1) * 0.45 * radius


def _lobe(
    rng: np.random.Generator,
    kind: Kind,
    lobes: int,
    angle: float,
    size: float,
    radius: float,
    half: float,
    x: Array,
    y: Array,
    z: Array,
) -> Array:
    """One lobe: a super-ellipsoid whose centre runs along a Bezier spine and twists a little."""
    t = (z / half + 1) / 2
    spine = radius * size * _bezier(np.array(kind.spine) * rng.normal(1, 0.05, 4), t)
    deep = radius * size * _bezier(np.array(kind.width) * rng.normal(1, 0.04, 4), t)
    wide = deep * (2.05 * np.sin(np.pi / max(lobes, 3)) / 1.45) * rng.uniform(0.85, 1.08)
    here = angle + rng.normal(0, 0.10) * z / half
    along = x * np.cos(here) + y * np.sin(here) - spine
    aside = y * np.cos(here) - x * np.sin(here)
    top = half * rng.uniform(0.93, 1.07)
    bottom = half * rng.uniform(0.86, 1.04)
    middle = half * rng.uniform(-0.1, 0.25)
    u = np.where(z > middle, (z - middle) / (top - middle), (middle - z) / (middle + bottom))
    level = (along / deep) ** 2 + (aside / wide) ** 2 + np.abs(u) ** rng.uniform(*kind.squareness)
    return (np.sqrt(level) - 1) * 0.45 * radius


def _outward(vertices: Array, faces: NDArray[np.int32]) -> NDArray[np.int32]:
    corner = vertices[faces]
    volume = np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])).sum()
    return faces if volume > 0 else np.ascontiguousarray(faces[:, ::-1])


def _relax(vertices: Array, faces: NDArray[np.int32], rounds: int = 3) -> Array:
    """Slide vertices along the surface to their neighbours' mean: marching cubes leaves slivers that shade ill."""
    mean = neighbour_mean(len(vertices), faces)
    for _ in range(rounds):
        normal = vertex_normals(vertices, faces)
        pull = mean @ vertices - vertices
        vertices = vertices + 0.6 * (pull - normal * np.einsum("ij,ij->i", pull, normal)[:, None])
    return vertices


def _across(vertices: Array) -> float:
    """Greatest distance across the z axis, in millimetres."""
    flat = vertices[:, :2]
    return float(pdist(flat[ConvexHull(flat).vertices]).max())


class _TopSurface:
    """Height of the body's upper side over a point of the x-y plane, in the finished fruit's millimetres."""

    def __init__(self, field: Array, axes: tuple[Array, Array, Array], middle: Array, stretch: Array) -> None:
        inside = field < 0
        last = field.shape[2] - 1 - np.argmax(inside[:, :, ::-1], axis=2)
        last = np.where(inside.any(axis=2), last, field.shape[2] // 2)
        i, j = np.indices(last.shape)
        below, above = field[i, j, last], field[i, j, np.minimum(last + 1, field.shape[2] - 1)]
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.nan_to_num(below / (below - above)).clip(0, 1)
        self._height = axes[2][last] + part * (axes[2][1] - axes[2][0])
        self._start = np.array([axes[0][0], axes[1][0]])
        self._step = axes[0][1] - axes[0][0]
        self._middle, self._stretch = middle, stretch

    def __call__(self, xy: Array) -> Array:
        grid = (xy / self._stretch[:2] + self._middle[:2] - self._start) / self._step
        height = map_coordinates(self._height, grid.T, order=1, mode="nearest")
        return np.asarray((height - self._middle[2]) * self._stretch[2])


def _fan_and_rings(rings: int, around: int, start: int = 0) -> NDArray[np.int32]:
    """Faces of a disc: a centre vertex, then ``rings`` rings of ``around`` vertices, seen from +z."""
    k = np.arange(around)
    after = (k + 1) % around
    faces = [np.stack([np.zeros_like(k), 1 + k, 1 + after], axis=1)]
    for r in range(rings - 1):
        inner, outer = 1 + r * around, 1 + (r + 1) * around
        faces += [
            np.stack([inner + k, outer + k, outer + after], axis=1),
            np.stack([inner + k, outer + after, inner + after], axis=1),
        ]
    return (np.concatenate(faces) + start).astype(np.int32)


def _calyx(
    rng: np.random.Generator, top: _TopSurface, diameter: float, centre: Array
) -> tuple[Array, NDArray[np.int32], float]:
    """A pointed green star that lies on the shoulder. Returns vertices, faces and the star's inner reach in mm."""
    rings, around = 9, 84
    points = int(rng.integers(5, 8))
    outer = diameter * rng.uniform(0.17, 0.29)
    notch = outer * rng.uniform(0.50, 0.78)
    angle = np.arange(around) * 2 * np.pi / around
    phase = np.sort(
        rng.uniform(0, 2 * np.pi) + 2 * np.pi * (np.arange(points) + rng.normal(0, 0.10, points)) / points
    )
    tip = outer * rng.uniform(0.78, 1.18, points)
    gap = np.abs((angle[:, None] - phase + np.pi) % (2 * np.pi) - np.pi) * points / np.pi
    nearest = np.argmin(gap, axis=1)
    sharpness = rng.uniform(0.8, 1.6)
    edge = notch + (tip[nearest] - notch) * np.clip(1 - gap[np.arange(around), nearest], 0, 1) ** sharpness
    share = np.linspace(0, 1, rings + 1)[1:]
    radius = share[:, None] * edge
    xy = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=2).reshape(-1, 2)
    xy = np.concatenate([np.zeros((1, 2)), xy]) + centre
    out = np.concatenate([[0.0], np.repeat(share, around)])
    thick = rng.uniform(1.0, 2.2)
    curl = rng.uniform(0, 2.0) * np.concatenate([[0.0], (share[:, None] ** 4 * (edge > notch * 1.12)).ravel()])
    crease = 0.25 * np.cos(np.concatenate([[0.0], np.tile(gap.min(axis=1) * np.pi, rings)])) * out
    height = top(xy)
    upper = np.column_stack([xy, height + thick * (1 - 0.72 * out) + curl + crease])
    lower = np.column_stack([xy, height - 1.2 + curl])
    disc = _fan_and_rings(rings, around)
    rim = 1 + (rings - 1) * around + np.arange(around)
    after = np.roll(rim, -1)
    under = len(upper)
    side = np.concatenate(
        [np.stack([rim, rim + under, after + under], axis=1), np.stack([rim, after + under, after], axis=1)]
    )
    faces = np.concatenate([disc, disc[:, ::-1] + under, side]).astype(np.int32)
    return np.concatenate([upper, lower]), faces, float(notch)


def _stem(
    rng: np.random.Generator, top: _TopSurface, diameter: float, centre: Array, wishes: dict[str, Any]
) -> tuple[Array, NDArray[np.int32], str, float]:
    """A ridged tube along a quadratic Bezier curve, flared at the base and at the cut; or a stub, or none."""
    choice = {"full": "stem"}.get(str(wishes.get("stem")), wishes.get("stem")) or str(
        rng.choice(["stem", "stub", "missing"], p=[0.78, 0.13, 0.09])
    )
    if choice not in ("stem", "stub", "missing"):
        raise ValueError(f"stem must be stem, stub or missing, not {choice!r}")
    drawn = rng.uniform(3, 6) if choice == "stub" else rng.uniform(8, 40)
    length = float(wishes.get("stem_mm") or drawn)
    if choice == "missing":
        return np.empty((0, 3)), np.empty((0, 3), np.int32), choice, 0.0
    rings, around = 26, 36
    thick = diameter * rng.uniform(0.045, 0.075)
    foot = np.array([*centre, float(top(centre[None])[0]) - 2.0])
    lean = rng.uniform(0, 2 * np.pi)
    side = np.array([np.cos(lean), np.sin(lean), 0.0]) * length * rng.uniform(0.0, 0.75)
    rise = np.array([0, 0, length + 2.0])
    control = np.stack([foot, foot + rise * 0.55 + side * 0.05, foot + rise * rng.uniform(0.8, 1.0) + side])
    t = np.linspace(0, 1, rings)[:, None]
    path = (1 - t) ** 2 * control[0] + 2 * t * (1 - t) * control[1] + t**2 * control[2]
    forward = np.gradient(path, axis=0)
    forward /= np.linalg.norm(forward, axis=1, keepdims=True)
    first = np.cross(forward, [np.sin(lean), -np.cos(lean), 0.0])
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(forward, first)
    angle = np.arange(around) * 2 * np.pi / around
    ridge = 1 + rng.uniform(0.05, 0.16) * np.cos(rng.integers(4, 7) * angle + rng.uniform(0, 2) * t + lean)
    flare = 1 + rng.uniform(0.5, 1.1) * np.exp(-t / 0.16) + rng.uniform(0.05, 0.45) * np.exp((t - 1) / 0.10)
    radius = (thick * flare * ridge)[:, :, None]
    tube = path[:, None] + radius * (
        np.cos(angle)[:, None] * first[:, None] + np.sin(angle)[:, None] * second[:, None]
    )
    vertices = np.concatenate([path[-1:], tube[::-1].reshape(-1, 3), path[:1]])
    faces = _fan_and_rings(rings, around)
    last = 1 + (rings - 1) * around + np.arange(around)
    cap = np.stack([last, np.full(around, len(vertices) - 1), np.roll(last, -1)], axis=1)
    return vertices, _outward(vertices, np.concatenate([faces, cap]).astype(np.int32)), choice, length
