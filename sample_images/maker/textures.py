"""Colors and patterns of tables, cloths, boards and boxes, as linear reflectance pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from . import colours
from .fields import Field, between, chance, pick

Floats = NDArray[np.floating[Any]]
SIZE = 384
FRUITY = (
    (168, 28, 26),
    (214, 104, 30),
    (232, 184, 50),
    (64, 112, 44),
    (118, 150, 62),
    (70, 34, 66),
    (222, 210, 160),
)


def tint(rng: np.random.Generator, vivid: float = 0.3) -> Floats:
    """A surface's color: neutral, muted, or (share `vivid`) as strong as a fruit's."""
    u = rng.random()
    if u < vivid * 0.7:
        base = colours.lab(colours.from_bytes(*FRUITY[int(rng.integers(len(FRUITY)))])) + rng.normal(size=3) * 6
    elif u < vivid:
        base = np.array([between(rng, 25, 80), *(rng.normal(size=2) * 38)])
    elif u < vivid + 0.4 * (1 - vivid):
        base = np.array([between(rng, 72, 96), *(rng.normal(size=2) * 3)])
    else:
        base = np.array([between(rng, 12, 90), *(rng.normal(size=2) * 11 + [2, 6])])
    return np.clip(colours.unlab(base), 0.01, 0.9)


def pattern(
    rng: np.random.Generator, vivid: float = 0.3, photos: Path | None = None, kinds: dict[str, float] | None = None
) -> tuple[Floats, str]:
    """A picture (SIZE, SIZE, 3) of linear reflectance, and its name."""
    choices = kinds or {
        "plain": 0.26,
        "wood": 0.22,
        "stone": 0.12,
        "checks": 0.12,
        "stripes": 0.1,
        "dots": 0.06,
        "weave": 0.12,
    }
    name = "photo" if photos is not None and chance(rng, 0.15) else pick(rng, choices)
    first, second = tint(rng, vivid), tint(rng, vivid)
    y, x = np.mgrid[0:SIZE, 0:SIZE] / SIZE
    points = np.stack([x, y], axis=-1)
    if name == "photo" and photos is not None:
        return _photo(rng, photos), name
    if name == "wood":
        return _wood(rng, points), name
    if name == "stone":
        speckle = Field(rng, 0.03, dimensions=2, octaves=3, fade=0.8, waves=24)(points)
        cloud = Field(rng, 0.5, dimensions=2, octaves=3)(points)
        mix = 1 / (1 + np.exp(-(cloud + speckle) * between(rng, 0.5, 2.5)))
        return _blend(first, np.clip(first * between(rng, 0.5, 1.6), 0, 0.9), mix), name
    if name == "plain":
        shade = 1 + between(rng, 0.0, 0.06) * Field(rng, 0.3, dimensions=2, octaves=4)(points)
        return np.clip(first * shade[..., None], 0.005, 0.92), name
    n = int(rng.integers(4, 26))
    if name == "checks":
        a, b = np.floor(x * n) % 2, np.floor(y * n) % 2
        mix = (a + b) / 2 if chance(rng, 0.6) else (a + b) % 2
    elif name == "stripes":
        mix = (x * n % 1 < between(rng, 0.15, 0.6)).astype(float)
    elif name == "dots":
        row = np.floor(y * n)
        mix = (
            (((x * n + 0.5 * (row % 2)) % 1 - 0.5) ** 2 + (y * n % 1 - 0.5) ** 2) < between(rng, 0.02, 0.12)
        ).astype(float)
    else:
        mix = (
            0.5
            + 0.35 * np.sin(x * SIZE * 0.5) * np.sin(y * SIZE * 0.5)
            + 0.1 * Field(rng, 0.02, dimensions=2)(points)
        )
        second = np.clip(first * between(rng, 0.6, 1.3), 0, 0.9)
    return _blend(first, second, mix), name


def _blend(first: Floats, second: Floats, mix: Floats) -> Floats:
    return np.clip(first * (1 - mix[..., None]) + second * mix[..., None], 0.005, 0.92)


def _wood(rng: np.random.Generator, points: Floats) -> Floats:
    base = colours.lab(colours.from_bytes(158, 112, 70)) + rng.normal(size=3) * [16, 4, 8]
    light = np.clip(colours.unlab(base), 0.01, 0.85)
    along = points * [between(rng, 5, 14), between(rng, 0.6, 1.5)]
    bend = Field(rng, 1.5, dimensions=2, octaves=2)(along * [0.2, 1])
    rings = 0.5 + 0.5 * np.sin(2 * np.pi * (along[..., 0] + 0.4 * bend))
    grain = Field(rng, 0.15, dimensions=2, octaves=3, fade=0.8, waves=24)(along * [4, 0.6])
    mix = np.clip(0.55 * rings + 0.18 * grain, 0, 1) * between(rng, 0.3, 1.0)
    planks = int(rng.integers(1, 7))
    gap = (points[..., 0] * planks % 1 < 0.012) & (planks > 1)
    shade = 1 + 0.12 * rng.normal(size=planks + 1)[np.floor(points[..., 0] * planks).astype(int)]
    out = _blend(light, light * between(rng, 0.35, 0.75), mix) * shade[..., None]
    return np.clip(np.where(gap[..., None], out * 0.25, out), 0.005, 0.9)


def _photo(rng: np.random.Generator, folder: Path) -> Floats:
    files = sorted(folder.glob("*.jpg"))
    picture = (
        Image.open(files[int(rng.integers(len(files)))])
        .convert("RGB")
        .resize((SIZE, SIZE), Image.Resampling.LANCZOS)
    )
    return np.clip(colours.decode(np.asarray(picture, float) / 255) * 0.85, 0.005, 0.9)
