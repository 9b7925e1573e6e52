"""The first fruit generator: bodies swept from a superelliptic meridian, lobes as sectors with creases between.

The skin mixes an unripe and a ripe pigment as absorption over scattering (Kubelka & Munk 1931), so half-turned
skin goes through brownish and olive tones rather than straight from one color to the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import Field, between, chance, pick
from .mesh import drop_empty, outward, ring_faces, tube, vertex_areas, vertex_normals
from .model import BLEACHED, BODY, BROWN_SPOT, CALYX, SCAR, STEM, FruitModel

Floats = NDArray[np.floating[Any]]

UNRIPE = (58, 98, 34)
RIPE = {
    "red": (178, 22, 22),
    "orange": (224, 112, 20),
    "yellow": (238, 182, 34),
    "green": (46, 96, 34),
    "purple": (62, 28, 60),
    "white": (226, 216, 160),
    "brown": (88, 42, 28),
}
# A fully colored green pepper is deep green; its unripe reference is pale.
PALE = {"green": (152, 164, 74), "white": (156, 178, 92)}
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

    skin, ripeness, blemish, notes = _skin(rng, body, body_faces, colour, amount, wishes)
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


def _mix(unripe: Floats, ripe: Floats, share: Floats) -> Floats:
    """Two pigments mixed as absorption over scattering: (1 - R)^2 / 2R adds up by share (Kubelka & Munk 1931)."""

    def ratio(reflectance: Floats) -> Floats:
        return (1 - reflectance) ** 2 / (2 * reflectance)

    k = ratio(unripe) * (1 - share[..., None]) + ratio(ripe) * share[..., None]
    return 1 + k - np.sqrt(k * k + 2 * k)


def _skin(
    rng: np.random.Generator,
    body: Floats,
    faces: NDArray[np.int32],
    colour: str,
    amount: float | None,
    wishes: dict[str, Any],
) -> tuple[Floats, Floats, NDArray[np.uint8], dict[str, Any]]:
    unripe, ripe = (_own_colour(rng, PALE.get(colour, UNRIPE)), _own_colour(rng, RIPE[colour]))
    size = np.abs(body).max()
    normal = vertex_normals(body, faces)
    field, pattern = _pattern(rng, body / size, normal, wishes.get("pattern"))
    if amount is None:
        amount = (
            between(rng, 0.93, 1.0)
            if colour in ("green", "white")
            else float(
                rng.choice([1.0, 0.0, between(rng, 0.8, 1), between(rng, 0.03, 0.97)], p=[0.3, 0.04, 0.28, 0.38])
            )
        )
    softness = float(wishes.get("softness") or np.exp(between(rng, np.log(0.03), np.log(0.7))))
    share = _maturity(field, vertex_areas(body, faces), amount, softness, _halfway(unripe, ripe))
    skin = _mix(unripe, ripe, share)
    skin = skin * (1 + 0.05 * Field(rng, 0.5, octaves=3)(body / size))[:, None]
    skin, blemish = _blemishes(rng, skin, body, wishes.get("blemishes"))
    skin = np.clip(skin, 0.003, 0.93)
    return (
        skin,
        colours.along(skin, unripe, ripe),
        blemish,
        {
            "pattern": pattern,
            "amount": round(float(amount), 3),
            "softness": round(softness, 3),
            "ripe": [round(float(v), 5) for v in ripe],
            "unripe": [round(float(v), 5) for v in unripe],
        },
    )


def _own_colour(rng: np.random.Generator, rgb: tuple[int, int, int]) -> Floats:
    shifted = colours.lab(colours.from_bytes(*rgb)) + rng.normal(size=3) * [2.5, 3.0, 3.5]
    return np.clip(colours.unlab(shifted), 0.004, 0.9)


def _pattern(rng: np.random.Generator, unit: Floats, normal: Floats, wish: str | None) -> tuple[Floats, str]:
    """A field that is high where color comes first, in units of about one body."""
    name = wish or pick(rng, {"shoulder": 0.34, "blossom": 0.12, "side": 0.26, "patchy": 0.28})
    if name == "shoulder":
        field = -unit[:, 2] * 1.0
    elif name == "blossom":
        field = unit[:, 2] * 1.0
    elif name == "side":
        direction = rng.normal(size=3)
        field = normal @ (direction / np.linalg.norm(direction))
    else:
        field = 0.45 * Field(rng, between(rng, 0.6, 1.6), octaves=2)(unit)
    rough = between(rng, 0.03, 0.22)
    streaks = unit * [1, 1, between(rng, 0.3, 1.0)]
    return field + rough * Field(rng, between(rng, 0.3, 1.0), octaves=3, fade=0.5)(streaks), name


def _halfway(unripe: Floats, ripe: Floats) -> float:
    """Pigment share at which the mixed color is equally far from both ends."""
    shares = np.linspace(0, 1, 801)
    way = colours.along(_mix(unripe, ripe, shares), unripe, ripe)
    return float(np.clip(shares[int(np.argmax(way >= 0.5))], 0.005, 0.995))


def _maturity(field: Floats, weight: Floats, amount: float, softness: float, halfway: float) -> Floats:
    """Pigment share such that about `amount` of the area lies beyond the halfway color."""
    if amount >= 0.999:
        return np.full(len(field), 1.0)
    if amount <= 0.001:
        return np.full(len(field), 0.0)
    order = np.argsort(field)
    level = np.interp(1 - amount, np.cumsum(weight[order]) / weight.sum(), field[order])
    logit = (field - level) / (0.5 * softness) * 2.0 + np.log(halfway / (1 - halfway))
    return 1 / (1 + np.exp(-np.clip(logit, -40, 40)))


def _blemishes(
    rng: np.random.Generator, skin: Floats, body: Floats, wish: bool | None
) -> tuple[Floats, NDArray[np.uint8]]:
    """Brown spots, corky scars and sun-bleached skin, on about a third of the fruit."""
    blemish = np.zeros(len(body), np.uint8)
    if not (chance(rng, 0.35) if wish is None else wish):
        return skin, blemish
    skin = skin.copy()
    kind = pick(rng, {"spots": 0.5, "scar": 0.3, "bleached": 0.2})
    ragged = Field(rng, 8.0, octaves=2)(body)
    for _ in range(int(rng.integers(1, 6)) if kind == "spots" else 1):
        spot = body[int(rng.integers(len(body)))]
        away = body - spot
        if kind == "scar":
            direction = rng.normal(size=3)
            direction /= np.linalg.norm(direction)
            lengthwise = away @ direction
            away = away - 0.85 * np.clip(lengthwise, -14, 14)[:, None] * direction
        reach = {"spots": between(rng, 1.5, 5), "scar": between(rng, 1.5, 3), "bleached": between(rng, 7, 15)}[
            kind
        ]
        inside = np.clip(
            (reach * (1 + 0.18 * ragged) - np.linalg.norm(away, axis=1)) / {"bleached": 3.0}.get(kind, 0.8), 0, 1
        )
        tint = colours.from_bytes(
            *{"spots": (84, 58, 34), "scar": (170, 140, 96), "bleached": (214, 200, 158)}[kind]
        )
        cover = inside[:, None] * {"spots": 0.9, "scar": 0.85, "bleached": 0.7}[kind]
        skin = skin * (1 - cover) + tint * cover
        blemish[inside > 0.4] = {"spots": BROWN_SPOT, "scar": SCAR, "bleached": BLEACHED}[kind]
    return skin, blemish
