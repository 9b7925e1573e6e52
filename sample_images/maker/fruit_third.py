"""The third fruit generator: bodies as locules that bulge from a common axis, in as many forms as the trade knows.

For outline scenes: what one view can't show of a pepper (its greatest diameter, its far side) must not be learned
from one generator's habits. A body is a stack of cross-sections; each is the soft union of two to five discs (the
locules, unlike in size, distance and direction), so ribs and furrows follow from how far the discs stand apart.
A cubic through a few meridian points says how wide the stack is at each height, how deep the stem hollow lies and
how far the lobes hang over at the blossom end.

The range follows the states of expression that UPOV's test guideline for sweet pepper (TG/76/8, 2006; states named
from memory) holds apart: two to more than four locules; sections elliptic, angular and round; furrows from
absent to deep; lengthwise oblate, round, heart-shaped, square, oblong, trapezoid, triangular and horn-shaped. How
often each state occurs, and how strong it is, is judgement: no published table of greatest over mean diameter of
bell peppers was found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import ConvexHull

from . import colours
from .fields import Field, between, chance, pick
from .mesh import drop_empty, outward, ring_faces, tube
from .model import BODY, CALYX, STEM, FruitModel

Floats = NDArray[np.floating[Any]]

FORMS = {"square": 0.34, "oblong": 0.16, "oblate": 0.14, "heart": 0.16, "triangular": 0.12, "horn": 0.08}
SLENDER = {
    "square": (0.82, 1.18),
    "oblong": (1.15, 2.0),
    "oblate": (0.5, 0.82),
    "heart": (0.85, 1.4),
    "triangular": (1.1, 1.9),
    "horn": (1.6, 2.8),
}
GREATEST_MM = {
    "square": (55, 115),
    "oblong": (48, 90),
    "oblate": (60, 115),
    "heart": (52, 108),
    "triangular": (45, 85),
    "horn": (45, 62),
}
LOCULES = {"2": 0.08, "3": 0.41, "4": 0.42, "5": 0.09}
SKIN = {
    "red": ((60, 104, 38), (186, 28, 26)),
    "orange": ((66, 112, 40), (228, 120, 28)),
    "yellow": ((72, 118, 44), (240, 190, 46)),
    "green": ((148, 162, 78), (44, 92, 36)),
    "purple": ((62, 104, 42), (66, 30, 64)),
    "white": ((158, 178, 96), (228, 218, 166)),
    "brown": ((58, 100, 40), (92, 46, 30)),
}


@dataclass(frozen=True)
class _Form:
    """What a body's surface is computed from. Heights run from -0.5 (blossom end) to 0.5 (stem end)."""

    slender: float  # length over the diameter of a round section
    meridian: CubicSpline  # share of the way from blossom scar to stem foot -> (radius, height)
    toward: Floats  # (k,) directions of the locules, rad
    apart: Floats  # (k,) how far a locule's middle stands off the axis, over its radius; 0 gives a round section
    girth: Floats  # (k,) size of each locule
    ends: tuple[float, float]  # how much farther apart the locules stand at the blossom and stem ends
    crisp: float  # sharpness of the furrows
    hang: Floats  # (k,) how far each lobe reaches beyond the others at the blossom end, over the length
    shoulder: Floats  # (k,) the same at the stem end
    twist: float  # rad from end to end
    oval: tuple[float, float]
    cheek: tuple[float, float]  # a side flattened by a neighbour on the plant: share of the radius, direction
    bow: Floats  # (2,) sagitta of the axis over the length
    lean: Floats  # (2,) sideways from end to end, over the length
    swell: Field
    swelling: float


def make_fruit(rng: np.random.Generator, colour: str, **wishes: Any) -> FruitModel:
    """One invented pepper.

    Parameters
    ----------
    rng : numpy.random.Generator
    colour : str
    **wishes
        `form` (a key of `FORMS`), `locules`, `stem` ("full", "stub", "missing"), `detail` (1 is about 20,000
        faces).
    """
    detail = float(wishes.get("detail", 1.0)) ** 0.5
    kind = wishes.get("form") or pick(rng, FORMS)
    locules = int(wishes.get("locules") or pick(rng, LOCULES))
    form = _draw(rng, kind, locules)
    rows, columns = int(70 * detail), int(150 * detail)
    share, angle = np.linspace(0, 1, rows), np.linspace(0, 2 * np.pi, columns, endpoint=False)
    grid = np.meshgrid(share, angle, indexing="ij")
    wide = _greatest(_surface(form, *grid).reshape(-1, 3))
    form = replace(form, slender=form.slender * wide / 2)
    body = _surface(form, *grid).reshape(-1, 3)
    size = between(rng, *GREATEST_MM[kind]) / _greatest(body)
    calyx, calyx_faces = _calyx(rng, form, size, detail)
    stem_kind = wishes.get("stem") or pick(rng, {"full": 0.66, "stub": 0.22, "missing": 0.12})
    stem, stem_faces = _stem(rng, form, size, stem_kind)
    body = body * size
    body_faces = outward(body, drop_empty(body, ring_faces(rows, columns)))
    faces = np.concatenate([body_faces, calyx_faces + len(body), stem_faces + len(body) + len(calyx)])
    counts = (len(body_faces), len(calyx_faces), len(stem_faces))
    skin, ripeness = _skin(rng, body, colour)
    green = colours.from_bytes(*(np.array([82, 118, 46]) + rng.normal(size=3) * 8))
    rest = len(calyx) + len(stem)
    return FruitModel(
        vertices=np.concatenate([body, calyx, stem]) - [0, 0, (body[:, 2].max() + body[:, 2].min()) / 2],
        faces=faces.astype(np.int32),
        face_part=np.repeat(np.array([BODY, CALYX, STEM], np.uint8), counts),
        vertex_reflectance=np.concatenate([skin, np.tile(green, (rest, 1))]).astype(np.float32),
        vertex_ripeness=np.concatenate([ripeness, np.zeros(rest)]).astype(np.float32),
        vertex_blemish=np.zeros(len(body) + rest, np.uint8),
        colour=colour,
        lobes=locules,
        notes={"generator": "third", "family": kind, "stem": stem_kind},
    )


def _greatest(points: Floats) -> float:
    flat = points[ConvexHull(points[:, :2]).vertices, :2]
    return float(np.linalg.norm(flat[:, None] - flat[None], axis=2).max())


def _draw(rng: np.random.Generator, kind: str, locules: int) -> _Form:
    slim = kind in ("horn", "triangular", "oblong")
    # From hardly ribbed to deeply furrowed; two discs far apart would be two fruits, and horns are rounder.
    most = (0.45 if locules == 2 else 0.92) * (0.6 if kind == "horn" else 1.0)
    apart = most * float(rng.beta(1.7, 1.5))
    uneven = between(rng, 0.0, 0.3)
    gaps = 1 + uneven * rng.uniform(-1, 1, locules)
    hang = between(rng, 0.0, 0.09) * rng.uniform(-1, 1, locules)
    return _Form(
        slender=between(rng, *SLENDER[kind]),
        meridian=_meridian(rng, kind),
        toward=np.cumsum(gaps) / gaps.sum() * 2 * np.pi + between(rng, 0, 2 * np.pi),
        apart=np.clip(apart * (1 + uneven * rng.uniform(-0.6, 0.6, locules)), 0, 0.95),
        girth=1 + 0.5 * uneven * rng.uniform(-1, 1, locules),
        ends=(between(rng, 0.8, 1.3), between(rng, 0.8, 1.35)),
        crisp=between(rng, 8, 40),
        hang=hang * (0.1 if kind in ("horn", "triangular") else 1.0),
        shoulder=between(rng, 0.0, 0.05) * rng.uniform(-1, 1, locules),
        twist=float(rng.normal() * (0.25 if slim else 0.1)),
        oval=(abs(float(rng.normal())) * 0.045, between(rng, 0, np.pi)),
        cheek=(between(rng, 0.78, 0.98) if chance(rng, 0.25) else 9.0, between(rng, 0, 2 * np.pi)),
        bow=rng.normal(size=2) * (0.06 if slim else 0.02),
        lean=rng.normal(size=2) * 0.04,
        swell=Field(rng, 1.4, octaves=2),
        swelling=between(rng, 0.0, 0.02),
    )


def _meridian(rng: np.random.Generator, kind: str) -> CubicSpline:
    """Radius (at most about 1) and height from the blossom scar round the side into the stem hollow."""
    tip = {"horn": (0.1, 0.3), "triangular": (0.25, 0.5), "heart": (0.45, 0.68)}.get(kind, (0.62, 0.95))
    low = between(rng, *tip)  # radius where the blossom end turns into the side
    pointed = kind in ("horn", "triangular")
    dimple = 0.0 if pointed else between(rng, 0.0, 0.1)
    high = between(rng, 0.6, 0.88)  # radius of the shoulders' tops
    hollow = between(rng, 0.02, 0.14) / (1.6 if pointed or kind == "oblong" else 1.0)
    widest = between(rng, 0.1, 0.3) if kind in ("heart", "horn", "triangular") else between(rng, -0.12, 0.15)
    waist = between(rng, -0.02, 0.05)
    edge = between(rng, 0.0, 0.06)  # how round the edge between blossom end and side is
    below = low + (1 - low) * between(rng, 0.5, 0.75) - waist
    above = high + (1 - high) * between(rng, 0.72, 0.92) - waist
    points = np.array(
        [
            [0.0, -0.5 + dimple],
            [0.38 * low, -0.5 + 0.55 * dimple + 0.004],
            [0.72 * low, -0.495 + 0.015 * pointed],
            [0.5 * (low + below) - edge, -0.43 + 0.04 * pointed],
            [below, -0.24],
            [1.0, widest],
            [above, 0.36],
            [high, 0.488],
            [0.62 * high, 0.475 - 0.25 * hollow],
            [0.3 * high, 0.49 - 0.75 * hollow],
            [0.0, 0.49 - hollow],
        ]
    )
    # Chords' square roots as parameter keep a cubic from looping (centripetal; Lee 1989).
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1) ** 0.5)])
    return CubicSpline(way / way[-1], points)


def _surface(form: _Form, share: Floats, angle: Floats) -> Floats:
    """Points (..., 3), diameter about 2, at a share of the meridian and an angle round the axis."""
    radius, height = np.moveaxis(form.meridian(share), -1, 0)
    radius = np.maximum(radius, 0)
    off = angle[..., None] - form.toward - form.twist * height[..., None]
    end = np.clip(np.abs(2 * height), 0, 1) ** 2
    farther = 1 + (np.where(height < 0, form.ends[0], form.ends[1]) - 1) * end
    apart = np.clip(form.apart * farther[..., None], 0, 0.97)
    # The far side of a disc whose middle stands `apart` off the axis, seen from the axis.
    rim = form.girth * (apart * np.cos(off) + np.sqrt(1 - (apart * np.sin(off)) ** 2))
    section = (rim**form.crisp).sum(axis=-1) ** (1 / form.crisp)
    lobe = np.exp(3 * (np.cos(off) - 1))
    lobe /= lobe.sum(axis=-1, keepdims=True)
    section = section * (1 + form.oval[0] * np.cos(2 * (angle - form.oval[1])))
    flat, where = form.cheek
    limit = flat * section.max() / np.maximum(np.cos(angle - where), 1e-3)
    section = (section**-24.0 + limit**-24.0) ** (-1 / 24)
    r = radius * section
    # Towards the axis all lobes meet in scar and stem: what they differ in belongs to the rim alone.
    out = np.clip(radius, 0, 1) ** 1.5 * end
    z = height - out * np.where(height < 0, lobe @ form.hang, -(lobe @ form.shoulder))
    unit = np.stack([radius * np.cos(angle), radius * np.sin(angle), 2 * height], axis=-1)
    r = r * (1 + form.swelling * form.swell(unit))
    tall = 2 * form.slender
    sideways = tall * (form.bow * (4 * z[..., None] ** 2 - 0.33) + form.lean * z[..., None])
    return np.stack(
        [r * np.cos(angle) + sideways[..., 0], r * np.sin(angle) + sideways[..., 1], tall * z], axis=-1
    )


def _calyx(rng: np.random.Generator, form: _Form, size: float, detail: float) -> tuple[Floats, NDArray[np.int32]]:
    """A thin star that lies in the stem hollow and on the shoulders."""
    columns, rows = int(110 * detail), 9
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    tips = int(rng.integers(5, 8))
    star = 0.5 + 0.5 * np.cos(tips * angle + between(rng, 0, 6))
    reach = (between(rng, 0.16, 0.3) + between(rng, 0.03, 0.16) * star ** between(rng, 0.6, 2.5)) * (
        1 + 0.15 * np.cos(angle - between(rng, 0, 6))
    )
    reach = np.minimum(reach + 3.0 / size, 0.62)
    # The meridian's last stretch runs from the shoulder's top to the stem's foot: invert its radius.
    ends = np.linspace(0.72, 1, 300)
    radii = np.minimum.accumulate(np.maximum(form.meridian(ends)[:, 0], 0))
    share = np.interp(-np.linspace(0.0, 1, rows)[:, None] * reach, -radii - np.linspace(1e-6, 0, 300), ends)
    spread = np.broadcast_to(angle, share.shape)
    sheet = _surface(form, share, spread) * size
    lift = 1.0 + 0.6 * (1 - np.linspace(0, 1, rows))[:, None]
    outer = sheet + np.stack([0 * spread, 0 * spread, np.broadcast_to(lift, spread.shape)], axis=-1)
    points = np.concatenate([outer, sheet[-1:] + np.array([0, 0, 0.1])]).reshape(-1, 3)
    return points, drop_empty(points, ring_faces(rows + 1, columns)[:, ::-1].copy())


def _stem(rng: np.random.Generator, form: _Form, size: float, kind: str) -> tuple[Floats, NDArray[np.int32]]:
    foot = _surface(form, np.array([1.0]), np.array([0.0]))[0] * size
    length = {"full": between(rng, 12, 42), "stub": between(rng, 4, 11), "missing": 1.2}[kind]
    t = np.linspace(0, 1, 14)[:, None]
    curl = rng.normal(size=2) * 0.3 * length * (kind == "full")
    centres = foot + np.concatenate([curl * t**2, length * t - 0.3], axis=1)
    thick = between(rng, 3.2, 6.0) * (1 + 0.5 * np.exp(-4 * t[:, 0]))
    points, faces = tube(centres, thick, 16)
    return points, outward(points, drop_empty(points, faces))


def _skin(rng: np.random.Generator, body: Floats, colour: str) -> tuple[Floats, Floats]:
    """Reflectance and ripeness: two pigments side by side under a front that runs over the fruit."""
    unripe, ripe = (colours.from_bytes(*(np.array(c) + rng.normal(size=3) * 7)) for c in SKIN[colour])
    unripe, ripe = np.clip(unripe, 0.01, 0.95), np.clip(ripe, 0.01, 0.95)
    heading = rng.normal(size=3)
    unit = body / np.abs(body).max()
    front = unit @ (heading / np.linalg.norm(heading)) + between(rng, 0.05, 0.35) * Field(rng, 0.9)(unit)
    level = np.quantile(front, 1 - float(rng.choice([0.0, 1.0, between(rng, 0, 1)], p=[0.05, 0.45, 0.5])))
    share = np.clip(0.5 + (front - level) / between(rng, 0.06, 0.8), 0, 1)
    if level <= front.min() + 1e-9:
        share = np.ones(len(body))
    # Reflectances multiply where pigments lie over each other (Beer 1852).
    skin = unripe ** (1 - share[:, None]) * ripe ** share[:, None]
    return skin, colours.along(skin, unripe, ripe)
