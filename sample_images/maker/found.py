"""What a finder makes of a true outline: errors measured on traced plates, lent to outline scenes.

Each donor is one pepper of the development plates as the tool found it: how far its outline ran outside the true
one all round, counted from the direction of the stem end, and what became of its stem cue. An outline scene's
pepper borrows the errors of one donor of its own difficulty and pose, mirrored half the time. So errors keep their
size, their smoothness, their tails and where along the fruit they sit. `python -m tests.benchmarks.found_errors`
measures the donors anew.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
FILE = Path(__file__).parent / "found_errors.json"
STEPS = 72
FEW = 8


@dataclass(frozen=True)
class Donor:
    """One found pepper's errors; lengths as shares of the square root of its true outline's area.

    Attributes
    ----------
    outline : float64 (72,)
        How far the found outline runs outside the true one, every 5 degrees from the stem end on.
    cue_true, cue_found : "calyx", "stem" or None
        What the true masks show of the stem end, and what the found ones do.
    cue_share : float
        Area of the found calyx or stem over the body's.
    cue_offset : float64 (2,)
        From the true cue to the found one, along the axis' direction in the picture and across it; from the
        outline's middle where there is no true cue.
    grain : float64 (2,)
        Which way the shading runs, at twice its angle counted from the stem end.
    """

    difficulty: str
    lying: bool
    outline: Floats
    cue_true: str | None
    cue_found: str | None
    cue_share: float
    cue_offset: Floats
    grain: Floats


@lru_cache(maxsize=1)
def donors() -> tuple[Donor, ...]:
    """Read all donors."""
    rows = json.loads(FILE.read_text(encoding="utf-8"))["donors"]
    return tuple(
        Donor(
            row["difficulty"],
            row["lying"],
            np.array(row["outline"]),
            row["cue_true"],
            row["cue_found"],
            row["cue_share"],
            np.array(row["cue_offset"]),
            np.array(row["grain"]),
        )
        for row in rows
    )


def draw_donor(rng: np.random.Generator, difficulty: str, lying: bool, cued: bool) -> Donor:
    """One donor of that difficulty and pose, and with or without a true cue, as far as there are enough."""
    pool: Sequence[Donor] = [d for d in donors() if d.difficulty == difficulty]
    for alike in (lambda d: d.lying == lying, lambda d: (d.cue_true is not None) == cued):
        near = [d for d in pool if alike(d)]
        pool = near if len(near) >= FEW else pool
    return pool[int(rng.integers(len(pool)))]


def toward_stem(axis_px: Floats) -> Floats:
    """Unit vector in the picture from blossom end to stem end, from the axis' two ends."""
    way = np.asarray(axis_px[1]) - np.asarray(axis_px[0])
    unit: Floats = way / max(float(np.linalg.norm(way)), 1e-9)
    return unit


def turned_twice(vector: Floats, stem: Floats, *, back: bool = False) -> Floats:
    """Turn a vector that stands for twice an angle from the stem's frame into the picture's, or back."""
    angle = 2 * np.arctan2(stem[1], stem[0]) * (-1 if back else 1)
    c, s = np.cos(angle), np.sin(angle)
    turned: Floats = np.array([[c, -s], [s, c]]) @ vector
    return turned


def middle_of(outline: Floats) -> Floats:
    """Middle of an outline's bounding box."""
    middle: Floats = (outline.max(axis=0) + outline.min(axis=0)) / 2
    return middle


def reach_round(outline: Floats, middle: Floats, stem: Floats) -> Floats:
    """How far an outline reaches in each of 72 directions, counted from the stem end: its farthest crossing."""
    closed = np.concatenate([outline, outline[:1]])
    steps = np.maximum(1, np.ceil(np.linalg.norm(np.diff(closed, axis=0), axis=1) * 4).astype(int))
    share = np.concatenate([np.arange(n) / n for n in steps])
    start = np.repeat(np.arange(len(outline)), steps)
    points = closed[start] + share[:, None] * (closed[start + 1] - closed[start]) - middle
    across = np.array([-stem[1], stem[0]])
    turn = np.arctan2(points @ across, points @ stem) / (2 * np.pi) * STEPS
    place = np.round(turn).astype(int) % STEPS
    reach = np.zeros(STEPS)
    np.maximum.at(reach, place, np.linalg.norm(points, axis=1))
    return reach


def misread(outline: Floats, donor: Donor, middle: Floats, stem: Floats, size: float, mirror: bool) -> Floats:
    """The outline as the donor's finder would have drawn it, px."""
    away = outline - middle
    across = np.array([-stem[1], stem[0]])
    turn = np.arctan2(away @ across, away @ stem) * (-1 if mirror else 1)
    place = (turn / (2 * np.pi) * STEPS) % STEPS
    error = np.interp(place, np.arange(STEPS + 1), np.append(donor.outline, donor.outline[0])) * size
    length = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
    moved: Floats = middle + away * np.maximum(1 + error / length, 0.05)[:, None]
    return moved
