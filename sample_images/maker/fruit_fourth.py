"""The fourth fruit generator: lobes as bent tubes that melt into each other, skinned where their field ends.

For the networks to learn from. The first and third families are functions of height and angle about an axis:
learned from these alone, "how a pepper turns away" is partly how such functions do. Here the surface is a level of
a field in space (a soft union of tubes, Ricci 1973; skinned by marching cubes, Lewiner et al. 2003): a lobe is as
wide and as far from the axis as it likes along its way, so furrows open and close, run askew, and ends are uneven.

How often each form occurs is judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import map_coordinates
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull
from skimage.measure import marching_cubes

from . import colours
from .fields import Field, between, chance, pick
from .mesh import drop_empty, outward, ring_faces, tube
from .model import BODY, CALYX, STEM, FruitModel

Floats = NDArray[np.floating[Any]]

FORMS = {"even": 0.42, "narrowing": 0.26, "waisted": 0.1, "round": 0.14, "slim": 0.08}
SLENDER = {
    "even": (0.75, 1.45),
    "narrowing": (0.9, 1.9),
    "waisted": (0.9, 1.6),
    "round": (0.55, 1.0),
    "slim": (1.5, 2.6),
}
GREATEST_MM = {
    "even": (55, 112),
    "narrowing": (48, 100),
    "waisted": (52, 100),
    "round": (58, 112),
    "slim": (42, 66),
}
LOBES = {"2": 0.07, "3": 0.42, "4": 0.42, "5": 0.09}
KNOTS = 9
SKIN = {
    "red": ((64, 100, 36), (184, 26, 24)),
    "orange": ((62, 104, 38), (226, 116, 26)),
    "yellow": ((70, 112, 40), (238, 186, 42)),
    "green": ((140, 158, 76), (46, 94, 36)),
    "purple": ((60, 100, 40), (64, 30, 62)),
    "white": ((156, 176, 94), (226, 218, 164)),
    "brown": ((60, 98, 32), (90, 44, 30)),
}


@dataclass(frozen=True)
class _Tubes:
    """Lobes and core as tubes whose soft union is a body, less the balls of the hollows at its ends.

    Lengths are in greatest diameters, about; stem end up.
    """

    centres: Floats  # (tubes, knots, 3)
    radii: Floats  # (tubes, knots)
    soft: float  # how far tubes melt together
    hollows: Floats  # (m, 4): centre and radius, the stem end's first
    edge: float  # how soft the rims of the hollows are
    swell: Field
    swelling: float

    def __call__(self, points: Floats) -> Floats:
        """The field (...,) at points (..., 3), about the distance, below zero inside."""
        points = np.asarray(points, np.float32)
        off = np.stack([self._from_tube(points, k) for k in range(len(self.centres))])
        least = off.min(axis=0)
        field = least - self.soft * np.log(np.exp((least - off) / self.soft).sum(axis=0))
        field = field + self.swelling * self.swell(points)
        for *centre, radius in self.hollows.astype(np.float32):
            taken = radius - np.sqrt(((points - np.array(centre)) ** 2).sum(axis=-1))
            field = np.logaddexp(field / self.edge, taken / self.edge) * self.edge
        return np.asarray(field)

    def _from_tube(self, points: Floats, which: int) -> Floats:
        """Distance to a chain of round cones, the radius taken at the nearest place of each one's middle line."""
        centres, radii = self.centres[which].astype(np.float32), self.radii[which].astype(np.float32)
        least = np.full(points.shape[:-1], np.inf, np.float32)
        for start, end, r0, r1 in zip(centres[:-1], centres[1:], radii[:-1], radii[1:], strict=True):
            way, off = end - start, points - start
            share = np.clip(off @ (way / max(float(way @ way), 1e-9)), 0, 1)
            away = np.einsum("...i,...i->...", off, off) - share * (2 * (off @ way) - share * (way @ way))
            np.minimum(least, np.sqrt(np.maximum(away, 0)) - r0 - (r1 - r0) * share, out=least)
        return least


@dataclass(frozen=True)
class _Skin:
    """A body's mesh, mm, and how high its upper skin stands, over a grid across the axis."""

    points: Floats
    faces: NDArray[np.int32]
    low: Floats  # (2,) corner of the grid
    step: float
    height: Floats  # (columns, rows)
    foot: Floats  # (2,) where the stem stands

    def above(self, x: Floats, y: Floats) -> Floats:
        """Height of the upper skin (...,) over places across the axis."""
        at = [(x - self.low[0]) / self.step, (y - self.low[1]) / self.step]
        return np.asarray(map_coordinates(self.height, at, order=1, mode="nearest"))


def make_fruit(rng: np.random.Generator, colour: str, **wishes: Any) -> FruitModel:
    """One invented pepper.

    Parameters
    ----------
    rng : numpy.random.Generator
    colour : str
    **wishes
        `form` (a key of `FORMS`), `lobes`, `stem` ("full", "stub", "missing"), `detail` (1 is about 30,000
        faces).
    """
    detail = float(wishes.get("detail", 1.0))
    kind = wishes.get("form") or pick(rng, FORMS)
    lobes = int(wishes.get("lobes") or pick(rng, LOBES))
    tubes, size = _draw(rng, kind, lobes), between(rng, *GREATEST_MM[kind])
    skinned = _skinned(tubes, detail, size)
    body, body_faces = skinned.points, skinned.faces
    calyx, calyx_faces = _calyx(rng, skinned, detail)
    stem_kind = wishes.get("stem") or pick(rng, {"full": 0.66, "stub": 0.24, "missing": 0.1})
    stem, stem_faces = _stem(rng, skinned, stem_kind)
    skin, ripeness = _skin(rng, body, colour)
    green = _green(rng, np.concatenate([calyx, stem]))
    counts = (len(body_faces), len(calyx_faces), len(stem_faces))
    rest = len(calyx) + len(stem)
    return FruitModel(
        vertices=np.concatenate([body, calyx, stem]) - [0, 0, (body[:, 2].max() + body[:, 2].min()) / 2],
        faces=np.concatenate([body_faces, calyx_faces + len(body), stem_faces + len(body) + len(calyx)]).astype(
            np.int32
        ),
        face_part=np.repeat(np.array([BODY, CALYX, STEM], np.uint8), counts),
        vertex_reflectance=np.concatenate([skin, green]).astype(np.float32),
        vertex_ripeness=np.concatenate([ripeness, np.zeros(rest)]).astype(np.float32),
        vertex_blemish=np.zeros(len(body) + rest, np.uint8),
        colour=colour,
        lobes=lobes,
        notes={
            "generator": "fourth",
            "family": kind,
            "stem": stem_kind,
            "gloss": round(between(rng, 0.12, 0.5), 3),
        },
    )


def _girth(rng: np.random.Generator, kind: str) -> PchipInterpolator:
    """How wide a body is from blossom end (0) to stem end (1), about 1 where it is widest."""
    low = {"narrowing": (0.35, 0.7), "slim": (0.25, 0.7), "round": (0.6, 0.9)}.get(kind, (0.72, 1.0))
    high = {"round": (0.65, 0.95)}.get(kind, (0.72, 1.0))
    middle = {"waisted": (0.78, 0.92), "round": (1.0, 1.08)}.get(kind, (0.93, 1.03))
    at = [0.0, between(rng, 0.22, 0.4), between(rng, 0.5, 0.62), between(rng, 0.7, 0.85), 1.0]
    first, last = between(rng, *low), between(rng, *high)
    second = first + (1 - first) * between(rng, 0.35, 0.8)
    return PchipInterpolator(at, [first, second, between(rng, *middle), between(rng, 0.94, 1.05), last])


def _draw(rng: np.random.Generator, kind: str, lobes: int) -> _Tubes:
    """Tubes of a body, its width about 1."""
    tall = between(rng, *SLENDER[kind])
    # How far a lobe's middle stands off the axis, over half the width: nought would be a smooth body.
    apart = (0.34 if lobes == 2 else 0.52) * float(rng.beta(2.0, 1.4))
    uneven = between(rng, 0.0, 0.35)
    shares = 1 + uneven * rng.uniform(-1, 1, lobes)
    toward = np.append(np.cumsum(shares) / shares.sum() * 2 * np.pi + between(rng, 0, 2 * np.pi), 0.0)
    twist, girth = float(rng.normal()) * 0.15, _girth(rng, kind)
    bow = rng.normal(size=2) * (0.07 if kind == "slim" else 0.025) * tall
    spread = PchipInterpolator([0, 0.5, 1], [between(rng, 0.7, 1.3), 1.0, between(rng, 0.7, 1.3)])
    centres, radii = [], []
    for k, direction in enumerate(toward):
        core = k == lobes
        own = apart * (1 + uneven * between(rng, -0.5, 0.5)) * (not core)
        size = (1 - 0.92 * apart) * (1 + 0.3 * uneven * between(rng, -1, 1)) * (0.9 if core else 1.0)
        # Lobes reach unlike far at both ends; the core holds back.
        ends = tall * (np.array([0, 1]) + [1, -1] * (np.full(2, 0.06) if core else rng.uniform(-0.01, 0.06, 2)))
        share = np.linspace(0, 1, KNOTS)
        radius = np.minimum(size * girth(share) / 2, 0.49 * np.ptp(ends))
        # Tubes end in balls, which the girth's own ends make blunter or rounder.
        height = np.clip(ends[0] + share * np.ptp(ends), ends[0] + radius[0], ends[1] - radius[-1])
        where = direction + twist * (height / tall - 0.5)
        sway = bow * (4 * (height / tall - 0.5) ** 2)[:, None]
        off = own * girth(share) * spread(share) / 2
        centres.append(
            np.column_stack([off * np.cos(where), off * np.sin(where), height]) + np.pad(sway, [(0, 0), (0, 1)])
        )
        radii.append(radius)
    middles, across = np.array(centres), np.array(radii)
    wave = between(rng, 0.35, 1.2)
    top, bottom = float((middles[..., 2] + across).max()), float((middles[..., 2] - across).min())
    hollows = [_hollow(rng, 1.0, top, 1, bow, between(rng, 0.02, 0.13))]
    if kind not in ("slim", "narrowing") or chance(rng, 0.3):
        hollows.append(_hollow(rng, 0.7, bottom, -1, bow, between(rng, 0.0, 0.1)))
    return _Tubes(
        middles,
        across,
        between(rng, 0.02, 0.06),
        np.array(hollows),
        between(rng, 0.01, 0.03),
        Field(rng, wave, octaves=1),
        # As steep at most, however long the waves.
        between(rng, 0.0, 0.011) * wave,
    )


def _hollow(
    rng: np.random.Generator, wide: float, end: float, way: int, bow: Floats, deep: float
) -> tuple[float, float, float, float]:
    """A ball to take out of an end: it reaches `deep` into the body."""
    radius = wide * between(rng, 0.16, 0.32)
    x, y = bow + rng.normal(size=2) * 0.02
    return float(x), float(y), end + way * (radius - deep), radius


def _skinned(tubes: _Tubes, detail: float, size: float) -> _Skin:
    """The mesh where the field is nought, its greatest diameter brought to `size` mm."""
    step = float(0.027 * np.sqrt((np.ptp(tubes.centres[..., 2]) + 0.8) / 2 / detail))
    room = 3 * step + 2 * tubes.soft + 3 * tubes.swelling
    low = (tubes.centres - tubes.radii[..., None]).min(axis=(0, 1)) - room
    high = (tubes.centres + tubes.radii[..., None]).max(axis=(0, 1)) + room
    axes = [np.arange(a, b, step) for a, b in zip(low, high, strict=True)]
    level = tubes(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1))
    vertices, faces, _, _ = marching_cubes(level, 0.0)
    points, faces = _largest(vertices.astype(float) * step + low, faces.astype(np.int32))
    flat = points[ConvexHull(points[:, :2]).vertices, :2]
    scale = size / float(np.linalg.norm(flat[:, None] - flat[None], axis=2).max())
    points = points * scale
    height = (_upper(level) * step + low[2]) * scale
    faces = outward(points, drop_empty(points, faces))
    return _Skin(points, faces, low[:2] * scale, step * scale, height, tubes.hollows[0, :2] * scale)


def _largest(points: Floats, faces: NDArray[np.int32]) -> tuple[Floats, NDArray[np.int32]]:
    """The largest piece of a mesh: what is shut up between lobes would be a skin nobody sees."""
    edges = np.concatenate([faces[:, :2], faces[:, 1:]])
    graph = coo_array((np.ones(len(edges), bool), edges.T), shape=(len(points), len(points)))
    piece = connected_components(graph, directed=False)[1]
    kept = piece == np.argmax(np.bincount(piece))
    return points[kept], (np.cumsum(kept) - 1)[faces[kept[faces[:, 0]]]].astype(np.int32)


def _upper(level: Floats) -> Floats:
    """Height in cells at which a field (columns, rows, layers), met from above, is first below nought; else 0."""
    inside = level[..., ::-1] < 0
    first = np.maximum(np.argmax(inside, axis=-1), 1)[..., None]
    after, before = (np.take_along_axis(level[..., ::-1], k, -1)[..., 0] for k in (first, first - 1))
    share = np.clip(before / np.maximum(before - after, 1e-6), 0, 1)
    return np.asarray(np.where(inside.any(axis=-1), level.shape[-1] - first[..., 0] - share, 0.0))


def _calyx(rng: np.random.Generator, skinned: _Skin, detail: float) -> tuple[Floats, NDArray[np.int32]]:
    """A thin star dropped on the stem end from above."""
    columns, rows = int(100 * detail**0.5) + 20, 14
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    wide = float(np.ptp(skinned.points[:, :2], axis=0).max())
    tips = int(rng.integers(5, 9))
    star = np.abs(np.cos(tips / 2 * angle + between(rng, 0, 6))) ** between(rng, 0.6, 3.0)
    reach = wide / 2 * (between(rng, 0.15, 0.3) + between(rng, 0.03, 0.18) * star)
    reach = reach * (1 + 0.18 * Field(rng, 1.2)(np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=-1))) + 3
    share = np.linspace(0, 1, rows)[:, None]
    x, y = skinned.foot[0] + share * reach * np.cos(angle), skinned.foot[1] + share * reach * np.sin(angle)
    curl = between(rng, 0, 3.0) if chance(rng, 0.4) else 0.0
    z = _pressed(skinned.above(x, y)) + 1.2 + 0.8 * (1 - share) + curl * share**4
    sheet = np.stack([x, y, z], axis=-1)
    points = np.concatenate([sheet, sheet[-1:] - [0, 0, 1.0]]).reshape(-1, 3)
    return points, drop_empty(points, ring_faces(rows + 1, columns)[:, ::-1].copy())


def _pressed(height: Floats) -> Floats:
    """Heights of a star's rows (rows, columns) without a fall into nothing: sepals are stiff."""
    stiff = height.copy()
    for row in range(1, len(height)):
        stiff[row] = np.maximum(height[row], stiff[row - 1] - 6.0)
    return stiff


def _stem(rng: np.random.Generator, skinned: _Skin, kind: str) -> tuple[Floats, NDArray[np.int32]]:
    foot = np.append(skinned.foot, skinned.above(skinned.foot[:1], skinned.foot[1:])[0])
    length = {"full": between(rng, 12, 44), "stub": between(rng, 3, 11), "missing": 1.4}[kind]
    t = np.linspace(0, 1, 20)[:, None]
    curl = rng.normal(size=2) * 0.3 * length * (kind == "full")
    centres = foot + np.concatenate([curl * t**2, length * t - 0.4], axis=1)
    thick = between(rng, 3.0, 6.2) * (1 + between(rng, 0.2, 0.9) * np.exp(-t * length / 5))
    angle = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    ribs = 1 + between(rng, 0.0, 0.1) * np.cos(5 * angle + between(rng, 0, 6))
    points, faces = tube(centres, thick * ribs, 20)
    return points, outward(points, drop_empty(points, faces))


def _green(rng: np.random.Generator, points: Floats) -> Floats:
    """Reflectance of calyx and stem: fresh, or drying, darker and paler in places."""
    fresh = np.array([88, 124, 48]) + rng.normal(size=3) * [13, 11, 9]
    dry = np.array([124, 102, 62])
    brown = between(rng, 0.2, 0.9) if chance(rng, 0.2) else between(rng, 0, 0.15)
    shade = np.exp(0.12 * Field(rng, 8, octaves=2)(points))
    return np.clip(colours.from_bytes(*(fresh * (1 - brown) + dry * brown)) * shade[:, None], 0.005, 0.95)


def _skin(rng: np.random.Generator, body: Floats, colour: str) -> tuple[Floats, Floats]:
    """Reflectance and ripeness: streaks along the axis, patches or a front; shade that says nothing of slope."""
    unripe, ripe = (
        np.clip(colours.from_bytes(*np.clip(np.array(c) + rng.normal(size=3) * 9, 4, 250)), 0.008, 0.95)
        for c in SKIN[colour]
    )
    size = float(np.ptp(body, axis=0).max())
    stretched = body / [1, 1, between(rng, 1, 5)]
    level = (
        Field(rng, between(rng, 0.2, 0.9) * size, octaves=3)(stretched) + between(rng, -2, 2) * body[:, 2] / size
    )
    part = float(rng.choice([0.0, 1.0, between(rng, 0, 1)], p=[0.08, 0.5, 0.42]))
    cut = np.quantile(level, 1 - part) if 0 < part < 1 else (np.inf if part == 0 else -np.inf)
    share = np.clip(0.5 + (level - cut) / between(rng, 0.1, 1.2), 0, 1)
    skin = unripe ** (1 - share[:, None]) * ripe ** share[:, None]
    ripeness = colours.along(skin, unripe, ripe)
    shade = between(rng, 0, 0.12) * Field(rng, between(rng, 0.1, 0.6) * size, octaves=3)(stretched)
    return np.clip(skin * np.exp(shade)[:, None], 0.005, 0.95), ripeness
