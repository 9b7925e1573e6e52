"""Invented cards, cameras and lights to test the color room with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from truelobe.colour.spaces import decode, encode, lab_to_linear

Float64 = NDArray[np.float64]

GREY_L = (93, 84, 74, 64, 53, 42, 31, 20)
SKINS = {"red": (38, 48, 28), "orange": (54, 38, 58), "yellow": (70, 5, 70), "green": (42, -20, 36)}
COLOURS = {
    "red": (44, 56, 36),
    "leaf": (47, -33, 34),
    "yellow": (82, 4, 70),
    "purple": (34, 27, -27),
    "olive": (46, 2, 34),
    "orange": (62, 38, 56),
    "deep green": (33, -21, 19),
    "vermilion": (54, 48, 44),
    "lime": (73, -24, 54),
    "deep red": (32, 39, 23),
    "blue": (41, -2, -36),
    "brown": (37, 16, 20),
}


@dataclass(frozen=True)
class FakePatch:
    name: str
    lab: tuple[float, float, float]
    u_de00: float
    centre_mm: tuple[float, float]


@dataclass(frozen=True)
class FakeLayout:
    patches: tuple[FakePatch, ...]
    size_mm: tuple[float, float] = (190.0, 140.0)


@dataclass(frozen=True)
class FakeReading:
    name: str
    linear: Float64
    sd: Float64
    pixels: int
    clipped: bool


@dataclass(frozen=True)
class FakeSighting:
    layout: FakeLayout
    patches: tuple[FakeReading, ...]
    black_and_white: bool = False


@dataclass(frozen=True)
class FakePhoto:
    to_srgb: Float64 = field(default_factory=lambda: np.eye(3))


@dataclass(frozen=True)
class Camera:
    """A phone: channel gains, crosstalk, glare, an S-curve with a change of gamma, then sRGB curve and bytes.

    `gradient` is the log change of light per half card length; `tint` the same, blue against red.
    """

    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    crosstalk: float = 0.0
    glare: float = 0.0
    gamma: float = 1.0
    contrast: float = 0.0
    noise: float = 0.0
    gradient: tuple[float, float] = (0.0, 0.0)
    tint: float = 0.0

    def expose(self, linear: ArrayLike, place: ArrayLike = (0.0, 0.0), seed: int = 0) -> Float64:
        """Return sRGB-curve values, 0..1, for linear sRGB reflectance (..., 3) at a place on the card."""
        value = np.asarray(linear, dtype=np.float64)
        where = np.asarray(place, dtype=np.float64)
        mix = np.eye(3) * (1 + 2 * self.crosstalk) - self.crosstalk * np.ones((3, 3)) + 0.0
        light = np.exp(where @ np.array(self.gradient))[..., None]
        change = np.exp(where[..., :1] * self.tint * np.array([-0.5, 0.0, 0.5]))
        seen = np.clip((value * light * change * np.array(self.gain)) @ mix.T + self.glare, 0, None)
        s = encode(seen) ** self.gamma
        s = s + self.contrast * (s - 0.5) * s * (1 - s) * 4
        noisy = s + np.random.default_rng(seed).normal(0, self.noise, s.shape) if self.noise else s
        return np.clip(noisy, 0, 1)


def place_of(patch: FakePatch) -> Float64:
    return (np.array(patch.centre_mm) - [95.0, 70.0]) / 95.0


def make_layout() -> FakeLayout:
    left = [FakePatch(f"g{i}l", (v, 0.0, 0.0), 2.5, (15.0, 13.0 + 14.6 * i)) for i, v in enumerate(GREY_L)]
    right = [FakePatch(f"g{i}r", (v, 0.0, 0.0), 2.5, (177.0, 115.0 - 14.6 * i)) for i, v in enumerate(GREY_L)]
    middle = [
        FakePatch(name, lab, 5.0, (60.0 + 14 * (i % 6), 45.0 + 14 * (i // 6)))
        for i, (name, lab) in enumerate(COLOURS.items())
    ]
    return FakeLayout((*left, *right, *middle))


def see(
    camera: Camera,
    *,
    print_error: float = 0.0,
    cast: Sequence[float] = (0.0, 0.0, 0.0),
    seed: int = 0,
    layout: FakeLayout | None = None,
) -> FakeSighting:
    """Return the card as printed and seen.

    Each ink mixture is wrong by `print_error` times its stated uncertainty (twins alike, up to a fifth of it), and
    all of them by `cast` in CIELAB.
    """
    rng = np.random.default_rng(seed)
    layout = make_layout() if layout is None else layout
    readings = []
    ink = {lab: rng.normal(0, 1, 3) for lab in dict.fromkeys(patch.lab for patch in layout.patches)}
    for patch in layout.patches:
        chroma, hue = np.hypot(*patch.lab[1:]), np.arctan2(patch.lab[2], patch.lab[1])
        size = print_error * patch.u_de00 / np.sqrt(3) * np.array([1, 1 + 0.045 * chroma, 1 + 0.015 * chroma])
        wrong = size * (ink[patch.lab] + 0.2 * rng.normal(0, 1, 3))
        turn = np.array([[np.cos(hue), -np.sin(hue)], [np.sin(hue), np.cos(hue)]])
        printed = np.array(patch.lab) + cast + [wrong[0], *(turn @ wrong[1:])]
        pixels = np.repeat(lab_to_linear(printed)[None], 400, axis=0)
        raw = camera.expose(pixels, place_of(patch), seed=int(rng.integers(1 << 30)))
        level = np.rint(raw * 255)
        clipped = bool(((level <= 0) | (level >= 255)).mean(axis=0).max() > 0.02)
        light = decode(level / 255)
        readings.append(FakeReading(patch.name, light.mean(axis=0), light.std(axis=0) + 1e-5, 400, clipped))
    return FakeSighting(layout, tuple(readings))


def without(sighting: FakeSighting, names: Sequence[str]) -> FakeSighting:
    return replace(sighting, patches=tuple(p for p in sighting.patches if p.name not in names))


@dataclass(frozen=True)
class Ball:
    """A shaded sphere seen from far away, split by a plane at right angles to the view: exact shares are known."""

    pixels: NDArray[np.uint8]
    body: NDArray[np.bool_]
    skin_mm2: NDArray[np.float32]
    facing: NDArray[np.float32]

    @property
    def none(self) -> NDArray[np.bool_]:
        return np.zeros_like(self.body)


def make_ball(
    camera: Camera,
    *,
    ripe: Sequence[float] = SKINS["red"],
    unripe: Sequence[float] = SKINS["green"],
    share: float = 0.3,
    direction: Sequence[float] = (0.3, -0.5, 0.8),
    ambient: float = 0.35,
    gloss: float = 0.0,
    highlight: float = 0.0,
    radius_px: int = 90,
    seed: int = 0,
    turn: Sequence[float] = (1.0, 0.0),
    soft: float = 0.0,
    cast: Sequence[float] = (1.0, 1.0, 1.0),
    crosstalk: NDArray[np.float64] | None = None,
    table: Sequence[float] = (55.0, 0.0, 0.0),
    mirrors: bool = False,
) -> Ball:
    """Return a ball of radius 40 mm, part of its visible half unripe.

    The border is a half plane through the diameter that lies in the image at right angles to `turn`; on a sphere
    the skin between two such half planes has area in proportion to the angle between them, so the unripe share of
    the visible half is exactly `share`. With `soft` (radians) the skin turns gradually, along a straight line in
    CIELAB, and is half way at that border. It lies on a `table` of that CIELAB; with `mirrors` the skin that is
    turned more than 45 degrees away mirrors the table as a smooth layer does (Fresnel, in Schlick's form).
    """
    size = 2 * radius_px + 9
    middle = (size - 1) / 2
    y, x = np.mgrid[:size, :size].astype(float)
    x, y = (x - middle) / radius_px, (y - middle) / radius_px
    inside = x**2 + y**2 < 1
    z = np.sqrt(np.maximum(1 - x**2 - y**2, 0))
    along, across = x * turn[0] + y * turn[1], z
    angle = np.arctan2(across, along)  # 0..pi over the visible half: a meridian angle about the image's own axis
    border = angle - np.pi * share
    stage = np.clip(0.5 + border / (2 * soft), 0, 1) if soft else (border >= 0).astype(float)
    skin = lab_to_linear(np.array(unripe) + stage[..., None] * (np.array(ripe) - np.array(unripe)))
    towards = np.array(direction) / np.linalg.norm(direction)
    lit = np.maximum(x * towards[0] + y * towards[1] + z * towards[2], 0)
    shade = ambient + (1 - ambient) * lit
    light = skin * shade[..., None]
    half = towards + np.array([0, 0, 1])
    half = half / np.linalg.norm(half)
    mirror = np.maximum(x * half[0] + y * half[1] + z * half[2], 0) ** 200
    light = light + gloss * (0.04 + 0.96 * (1 - z[..., None]) ** 5) + highlight * mirror[..., None]
    cloth = lab_to_linear(np.array(table))
    if mirrors:
        light = light + (0.04 + 0.96 * (1 - z[..., None]) ** 5) * cloth * (z[..., None] < np.sqrt(0.5))
    light = np.where(inside[..., None], light, cloth)
    light = (light if crosstalk is None else light @ crosstalk.T) * np.array(cast)
    seen = camera.expose(light, seed=seed)
    pixel_mm2 = (40 / radius_px) ** 2
    facing = np.where(inside, z, 0).astype(np.float32)
    area = np.where(inside, pixel_mm2 / np.maximum(z, 1e-3), 0).astype(np.float32)
    return Ball(np.rint(seen * 255).astype(np.uint8), inside, area, facing)
