"""Skin of the second pepper family: pigments in a scattering layer, ripening fields, blemishes, exact ripeness.

Pigments are mixed as absorption by scattering in an opaque layer (Kubelka and Munk 1931: R = 1 + q - sqrt(q^2 +
2 q) with q = K/S), on 31 wavelengths, and seen under D65 by the CIE 1931 observer in the analytic form of
Wyman, Sloan and Shirley (2013), "Simple Analytic Approximations to the CIE XYZ Color Matching Functions". Where
a pigment absorbs follows textbooks, from memory (chlorophyll near 430 and 665 nm, carotenoids 400-520 nm); the
amounts are invented so that the mixed skins look like peppers (red, orange, yellow and green lie near CIELAB
readings of shop peppers).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix, diags
from scipy.spatial import cKDTree

from sample_images.maker.model import BLEACHED, BROWN_SPOT, SCAR, SOUND

Array = NDArray[np.float64]

WAVELENGTH = np.arange(400.0, 701.0, 10.0)
# CIE standard illuminant D65, relative, 400 to 700 nm every 10 nm (CIE 15, ISO/CIE 11664-2).
D65 = np.array(
    [82.75, 91.49, 93.43, 86.68, 104.86, 117.01, 117.81, 114.86, 115.92, 108.81, 109.35, 107.80, 104.79, 107.69,
     104.41, 104.05, 100.00, 96.33, 95.79, 88.69, 90.01, 89.60, 87.70, 83.29, 83.70, 80.03, 80.21, 82.28, 78.28,
     69.72, 71.61]
)  # fmt: skip
# IEC 61966-2-1 primaries, D65 white.
SRGB_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = SRGB_TO_XYZ.sum(axis=1)


def _bell(centre: float, left: float, right: float) -> Array:
    return np.exp(-0.5 * ((WAVELENGTH - centre) * np.where(centre > WAVELENGTH, left, right)) ** 2)


def _observer() -> Array:
    x = (
        1.056 * _bell(599.8, 0.0264, 0.0323)
        + 0.362 * _bell(442.0, 0.0624, 0.0374)
        - 0.065 * _bell(501.1, 0.0490, 0.0382)
    )
    y = 0.821 * _bell(568.8, 0.0213, 0.0247) + 0.286 * _bell(530.9, 0.0613, 0.0322)
    z = 1.217 * _bell(437.0, 0.0845, 0.0278) + 0.681 * _bell(459.0, 0.0385, 0.0725)
    return np.stack([x, y, z], axis=1)


def _to_linear_srgb() -> Array:
    """31 reflectances -> linear sRGB, scaled so that a perfect white is exactly (1, 1, 1)."""
    weights = np.linalg.inv(SRGB_TO_XYZ) @ (_observer() * D65[:, None]).T
    return (weights / weights.sum(axis=1, keepdims=True)).T


TO_LINEAR_SRGB = _to_linear_srgb()

PIGMENTS = np.stack(
    [
        np.full_like(WAVELENGTH, 1.0),  # 0 ground: grey loss in the flesh
        0.9 * _bell(432, 0.05, 0.035) + 0.42 * _bell(470, 0.05, 0.04) + 0.16 * _bell(600, 0.02, 0.03)
        + 0.62 * _bell(664, 0.03, 0.06) + 0.10,  # 1 chlorophyll
        _bell(448, 0.02, 0.042),  # 2 yellow carotenoids
        1 / (1 + np.exp((WAVELENGTH - 568) / 12)),  # 3 red carotenoids, crowded: flat to the edge
        _bell(545, 0.016, 0.026) + 0.25,  # 4 anthocyanin
        np.exp(-(WAVELENGTH - 400) / 110),  # 5 browning
    ]
)  # fmt: skip
GROUND, CHLOROPHYLL, YELLOW, RED, PURPLE, BROWN = range(6)

# Amounts (K/S) of ground, chlorophyll, yellow, red, purple, brown: unripe and fully coloured.
# On a green pepper "unripe" stands for skin that has begun to turn: what is not fully green.
SKINS: dict[str, tuple[Array, Array]] = {
    "red": (np.array([0.25, 8.0, 4.2, 0.0, 0.0, 0.6]), np.array([0.10, 0.05, 0.33, 14.1, 0.63, 0.2])),
    "orange": (np.array([0.22, 7.0, 4.2, 0.0, 0.0, 0.5]), np.array([0.05, 0.03, 15.6, 3.4, 0.01, 0.2])),
    "yellow": (np.array([0.20, 6.5, 4.0, 0.0, 0.0, 0.4]), np.array([0.11, 0.04, 10.8, 0.45, 0.01, 0.2])),
    "green": (np.array([0.21, 1.64, 10.5, 3.0, 0.18, 0.6]), np.array([0.26, 8.5, 4.6, 0.0, 0.0, 0.6])),
    "purple": (np.array([0.20, 6.0, 3.6, 0.0, 0.0, 0.5]), np.array([0.40, 0.9, 0.8, 0.1, 9.0, 0.8])),
    "white": (np.array([0.15, 3.4, 2.8, 0.0, 0.0, 0.3]), np.array([0.07, 0.07, 0.9, 0.02, 0.0, 0.1])),
    "brown": (np.array([0.25, 7.5, 4.2, 0.0, 0.0, 0.6]), np.array([0.55, 3.2, 3.0, 5.0, 0.5, 1.6])),
}
PATTERNS = ("front", "streaks", "mottled", "one side", "grooves")


@dataclass(frozen=True)
class Skin:
    """Per vertex of the body: linear sRGB reflectance (V, 3), ripeness (V,), blemish (V,); and what was drawn."""

    reflectance: Array
    ripeness: Array
    blemish: NDArray[np.uint8]
    notes: dict[str, Any]


def mixed_reflectance(amounts: Array) -> Array:
    """Linear sRGB (N, 3) of an opaque layer holding pigment ``amounts`` (N, 6) as K/S (Kubelka-Munk)."""
    q = amounts @ PIGMENTS
    return np.clip((1 + q - np.sqrt(q * q + 2 * q)) @ TO_LINEAR_SRGB, 0.0, 1.0)


def lab(reflectance: Array) -> Array:
    """CIELAB under D65 (CIE 15, ISO/CIE 11664-4) of linear sRGB (N, 3)."""
    ratio = reflectance @ SRGB_TO_XYZ.T / WHITE
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


def ripeness_of(reflectance: Array, unripe: Array, ripe: Array) -> Array:
    """Place of each colour on the a*, b* line from unripe (0) to ripe (1), clipped; 0.5: equally far from both."""
    ends = lab(np.stack([unripe, ripe]))[:, 1:]
    line = ends[1] - ends[0]
    return np.clip((lab(reflectance)[:, 1:] - ends[0]) @ line / (line @ line), 0.0, 1.0)


def paint(
    rng: np.random.Generator,
    colour: str,
    vertices: Array,
    faces: NDArray[np.int32],
    open_skin: NDArray[np.bool_],
    amount: float | None,
    wishes: dict[str, Any],
) -> Skin:
    """Draw pigments and blemishes for a body.

    ``open_skin`` (V,) leaves out what the calyx covers; ``amount`` is the share of the open, sound skin with a
    ripeness under 0.5.
    """
    if colour not in SKINS:
        raise ValueError(f"colour must be one of {', '.join(SKINS)}, not {colour!r}")
    if amount is None:
        amount = _draw_amount(rng, colour)
    if not 0 <= amount <= 1:
        raise ValueError(f"amount is a share of the skin, 0 to 1, not {amount}")
    pattern = wishes.get("pattern") or str(rng.choice(PATTERNS, p=[0.26, 0.20, 0.14, 0.20, 0.20]))
    if pattern not in PATTERNS:
        raise ValueError(f"pattern must be one of {', '.join(PATTERNS)}, not {pattern!r}")
    # Every fruit has its own two ends of the line: fruit of one variety differ.
    own = np.exp(rng.normal(0, 0.10, 6))
    unripe, ripe = (ends * own for ends in SKINS[colour])
    end_colours = mixed_reflectance(np.stack([unripe, ripe]))
    smooth = neighbour_mean(len(vertices), faces)
    area = vertex_area(vertices, faces)
    field = _standard(ripening_field(rng, pattern, vertices, smooth))
    mottle = np.exp(rng.uniform(0.02, 0.09) * _standard(_blur(smooth, rng.normal(size=len(vertices)), 6)))
    front = rng.uniform(0.06, 0.55)
    blemish, spoil = (
        (np.full(len(vertices), SOUND, np.uint8), np.zeros((len(vertices), 3)))
        if wishes.get("blemishes") is False
        else blemishes(rng, vertices, open_skin)
    )
    weight = area * (open_skin & (blemish == SOUND))

    def skin_at(level: float) -> tuple[Array, Array]:
        stage = 1 / (1 + np.exp(-np.clip((field - level) / front, -40, 40)))
        reflectance = mixed_reflectance(_pigments(stage, unripe, ripe, mottle, spoil))
        return reflectance, ripeness_of(reflectance, *end_colours)

    low, high = field.min() - 8 * front - 1, field.max() + 8 * front + 1
    for _ in range(12):
        level = (low + high) / 2
        short = weight @ (skin_at(level)[1] < 0.5) / weight.sum() < amount
        low, high = (level, high) if short else (low, level)
    reflectance, ripeness = skin_at(high if amount > 0 else field.min() - 8 * front - 1)
    share = float(weight @ (ripeness < 0.5) / weight.sum())
    notes = {
        "pattern": pattern,
        "amount_wanted": amount,
        "amount": share,
        "unripe_reflectance": end_colours[0].tolist(),
        "ripe_reflectance": end_colours[1].tolist(),
    }
    return Skin(reflectance, ripeness, blemish, notes)


def _draw_amount(rng: np.random.Generator, colour: str) -> float:
    """Most fruit on sale are nearly ripe; enough are near a tenth to a half to make the question interesting."""
    if rng.uniform() < (0.6 if colour == "green" else 0.25):
        return float(rng.uniform(0, 0.02))
    return float(rng.beta(0.9, 2.6))


def _pigments(stage: Array, unripe: Array, ripe: Array, mottle: Array, spoil: Array) -> Array:
    """Pigment amounts (V, 6). Green and new colour do not pass in step, so half-way skin is dull, not a blend."""
    going, coming = (1 - stage) ** 1.5, stage**1.2
    amounts = going[:, None] * unripe + coming[:, None] * ripe
    amounts *= mottle[:, None]
    brown, scar, bleached = spoil.T[:, :, None]
    amounts = (1 - 0.93 * bleached) * (1 - 0.8 * scar) * (1 - 0.5 * brown) * amounts
    amounts[:, BROWN] += 6.0 * brown[:, 0] + 1.1 * scar[:, 0] + 0.25 * bleached[:, 0]
    amounts[:, GROUND] += 0.9 * brown[:, 0] + 0.12 * scar[:, 0]
    return np.asarray(amounts)


def ripening_field(rng: np.random.Generator, pattern: str, vertices: Array, smooth: csr_matrix) -> Array:
    """A field (V,) that is higher where a fruit colours first."""
    count = len(vertices)
    coarse = _standard(_blur(smooth, rng.normal(size=count), 120))
    size = np.ptp(vertices, axis=0)
    if pattern == "front":  # colour spreads from a few places, the front wandering through uneven skin
        seeds = vertices[rng.choice(count, int(rng.integers(1, 4)))]
        head_start = rng.uniform(0, 0.3, len(seeds)) * size.max()
        reached = (np.linalg.norm(vertices[:, None] - seeds, axis=2) + head_start).min(axis=1)
        return -_standard(reached) + rng.uniform(0.15, 0.5) * coarse
    if pattern == "streaks":  # long along the axis, short across
        squashed = vertices * [1.0, 1.0, rng.uniform(0.06, 0.18)]
        knots = squashed[rng.choice(count, 260)]
        value = rng.normal(size=260)
        distance, near = cKDTree(knots).query(squashed, k=6)
        share = np.exp(-((distance / 4.0) ** 2)) + 1e-9
        return _standard((share * value[near]).sum(axis=1) / share.sum(axis=1)) + 0.5 * coarse
    if pattern == "mottled":  # stripes and spots that set themselves apart (Swift and Hohenberg 1977)
        return _standard(_spots(rng, smooth, count)) * rng.uniform(0.5, 1.0) + coarse
    if pattern == "one side":  # the sun's side first
        sun = rng.normal(size=3) * [1, 1, 0.6]
        return _standard(vertices @ (sun / np.linalg.norm(sun) / size)) + rng.uniform(0.1, 0.45) * coarse
    # grooves: lobes colour before the furrows between them, and the blossom end or the shoulders lead
    outwards = np.hypot(vertices[:, 0], vertices[:, 1])
    hollow = outwards - _blur(smooth, outwards, 250)
    return _standard(hollow) + rng.normal(0, 0.6) * vertices[:, 2] / size[2] * 2 + 0.35 * coarse


def _spots(rng: np.random.Generator, smooth: csr_matrix, count: int) -> Array:
    """Pattern of a chosen wavelength: what lies between two blurs grows, saturation stops it."""
    fine, wide = int(rng.integers(4, 9)), int(rng.integers(30, 60))
    state = rng.normal(size=count)
    for _ in range(4):
        narrow = _blur(smooth, state, fine)
        state = np.tanh(2.5 * _standard(narrow - _blur(smooth, narrow, wide)))
    return _blur(smooth, state, 3)


def blemishes(
    rng: np.random.Generator, vertices: Array, open_skin: NDArray[np.bool_]
) -> tuple[NDArray[np.uint8], Array]:
    """Kind (V,) and strength (V, 3) of brown spots, scars and bleached skin; a kind from a fifth of full."""
    spoil = np.zeros((len(vertices), 3))
    places = np.flatnonzero(open_skin)
    tree = cKDTree(vertices)
    ragged = rng.normal(size=(40, 3)) / 4.0, rng.uniform(0, 2 * np.pi, 40)
    wobble = np.sin(vertices @ ragged[0].T + ragged[1]).sum(axis=1) / np.sqrt(20)

    def mark(column: int, line: Array, width: float, soft: float) -> None:
        near = np.unique(np.concatenate(tree.query_ball_point(line, width * 1.8 + 2 * soft)).astype(int))
        if len(near):
            away = cKDTree(line).query(vertices[near])[0] * (1 + 0.18 * wobble[near])
            spoil[near, column] = np.maximum(spoil[near, column], 1 / (1 + np.exp((away - width) / soft)))

    for _ in range(rng.poisson(0.6)):
        for _ in range(int(rng.integers(1, 4))):
            mark(0, vertices[rng.choice(places)][None], rng.uniform(1.2, 4.5), 0.25)
    for _ in range(rng.poisson(0.35)):
        start = vertices[rng.choice(places)]
        direction = rng.normal(size=3)
        steps = np.cumsum(
            direction / np.linalg.norm(direction) + 0.25 * rng.normal(size=(int(rng.integers(6, 30)), 3)), 0
        )
        on_skin = vertices[tree.query(start + steps)[1]]
        mark(1, on_skin, rng.uniform(0.7, 1.8), 0.22)
    if rng.uniform() < 0.12:
        mark(2, vertices[rng.choice(places)][None], rng.uniform(6, 14), 0.8)
    strongest = spoil.argmax(axis=1)
    kind = np.array([BROWN_SPOT, SCAR, BLEACHED], np.uint8)[strongest]
    return np.where(spoil.max(axis=1) > 0.2, kind, SOUND).astype(np.uint8), spoil


def green_part_reflectance(rng: np.random.Generator, vertices: Array, calyx_count: int, colour: str) -> Array:
    """Calyx and stem: green, lighter than unripe skin, sometimes drying to brown at tips and cut."""
    calyx = np.array([0.10, 2.6, 2.6, 0.0, 0.0, 0.3]) * np.exp(rng.normal(0, 0.2, 6))
    stem = calyx * [1, rng.uniform(0.4, 0.9), 1, 1, 1, 1]
    amounts = np.repeat(np.stack([calyx, stem]), [calyx_count, len(vertices) - calyx_count], axis=0)
    waves = rng.normal(size=(12, 3)) / 3.0
    wave = np.sin(vertices @ waves.T + rng.uniform(0, 2 * np.pi, 12)).sum(axis=1) / np.sqrt(6)
    amounts *= np.exp(0.10 * wave)[:, None]
    dry = rng.uniform(0, 0.5) ** 2 * (1 + 0.5 * wave) + 0.0
    if len(vertices) > calyx_count:
        end = vertices[calyx_count]  # centre of the cut
        dry = dry + 0.7 * np.exp(-((np.linalg.norm(vertices - end, axis=1) / 3.0) ** 2)) * rng.uniform(0, 1)
    dry = np.clip(dry, 0, 1)
    amounts[:, CHLOROPHYLL] *= 1 - 0.9 * dry
    amounts[:, BROWN] += 2.2 * dry
    return mixed_reflectance(amounts)


def neighbour_mean(count: int, faces: NDArray[np.int32]) -> csr_matrix:
    """Sparse (V, V) matrix that replaces a value by the mean over its vertex's neighbours."""
    i = faces[:, [0, 1, 2]].ravel()
    j = faces[:, [1, 2, 0]].ravel()
    ring = coo_matrix((np.ones(len(i)), (i, j)), shape=(count, count)).tocsr()
    ring = ring + ring.T
    degree = np.asarray(ring.sum(axis=1)).ravel()
    return (diags(1 / np.maximum(degree, 1)) @ ring).tocsr()


def vertex_normals(vertices: Array, faces: NDArray[np.int32]) -> Array:
    """Outward unit normals (V, 3), weighted by face area."""
    corner = vertices[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal = np.stack(
        [np.bincount(faces.ravel(), np.repeat(across[:, k], 3), len(vertices)) for k in range(3)], axis=1
    )
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12))


def vertex_area(vertices: Array, faces: NDArray[np.int32]) -> Array:
    """Skin area (V,) in mm^2 that each vertex stands for: a third of its faces."""
    corner = vertices[faces]
    area = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2
    return np.bincount(faces.ravel(), np.repeat(area / 3, 3), len(vertices))


def _blur(smooth: csr_matrix, values: Array, rounds: int) -> Array:
    for _ in range(rounds):
        values = 0.5 * values + 0.5 * (smooth @ values)
    return values


def _standard(values: Array) -> Array:
    return np.asarray((values - values.mean()) / max(float(values.std()), 1e-12))
