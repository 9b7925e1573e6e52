"""What a finder makes of a true outline: errors measured on traced plates, lent to outline scenes.

Each donor is one pepper of plates of three families of forms as the tool found it: how far its outline ran
outside the true one all round, counted from the direction of the stem end, what became of its stem cue, what the
pepper network read of its axis and size, and how far the body fitted to the outline was off. An outline scene's
pepper borrows the errors of one donor of its own family, difficulty and pose and of a like tilt, mirrored half
the time. So errors keep their size, their smoothness, their tails and where along the fruit they sit. A reading
lent moves with the pepper's own lobing and with how its own fit errs: an odd form fools both alike. `python -m
tests.benchmarks.found_errors` measures the donors anew.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
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
# An error of more than three deviations counts as three: a mistaken axis is no matter of a correlation.
FARTHEST = 3.0


@dataclass(frozen=True)
class Donor:
    """One found pepper's errors; lengths as shares of the square root of its true outline's area.

    Attributes
    ----------
    family : str
        Which equations drew its form.
    tilt_deg : float
        Between its axis and the plane that faces the camera, whichever end is nearer.
    outline : float64 (72,)
        How far the found outline runs outside the true one, every 5 degrees from the stem end on.
    cue_true, cue_found : "calyx", "stem" or None
        What the true masks show of the stem end, and what the found ones do.
    cue_share : float
        Area of the found calyx or stem over the body's.
    cue_offset : float64 (2,)
        From the true cue to the found one, along the axis' direction in the picture and across it; from the
        outline's middle where there is no true cue.
    toward : float64 (2, 3)
        The two directions that the network reads, in the frame of the true axis (`frame_of`).
    held, chance : float64 (2,)
        How firmly each is held, and how likely it is.
    size_off, size_u : float64 (2,)
        ln of read over true diameter and length, and how far off the network thinks each is.
    apart_mm : float or None
        How far two looks at it differed in its extents; None where there was one look.
    fit_off, fit_u : float64 (2,)
        The same of the sizes fitted to its outline; NaN for a length that the pose hides.
    far_off : float
        ln of the fitted over the true distance, which sizes in mm share, read or fitted.
    fit_tilt_deg : float
        Between the fitted axis and the picture.
    excess : float
        ln of the greatest diameter over the width seen.
    """

    family: str
    difficulty: str
    lying: bool
    tilt_deg: float
    outline: Floats
    apart_mm: float | None
    cue_true: str | None
    cue_found: str | None
    cue_share: float
    cue_offset: Floats
    toward: Floats
    held: Floats
    chance: Floats
    size_off: Floats
    size_u: Floats
    fit_off: Floats
    fit_u: Floats
    far_off: float
    fit_tilt_deg: float
    excess: float

    def causes(self) -> Floats:
        """What moves a reading (2, 2): the lobing, and the error of the fit in the picture; of both sizes."""
        return causes(self.excess, self.fit_off - self.far_off, self.fit_u)


def causes(excess: float, fit_off: Floats, fit_u: Floats) -> Floats:
    """Stack the causes of a misreading; errors of a fit held to what is no mistake."""
    held = np.clip(fit_off, -FARTHEST * fit_u, FARTHEST * fit_u)
    return np.stack([np.full(2, excess), held])


@lru_cache(maxsize=1)
def follows() -> Floats:
    """How far a size read moves with each cause, by least squares over all donors (2, 2)."""
    why, off = np.array([one.causes() for one in donors()]), np.array([one.size_off for one in donors()])
    slopes = np.empty((2, 2))
    for k in (0, 1):
        known = np.isfinite(why[:, :, k]).all(axis=1)
        design = np.column_stack([why[known, :, k], np.ones(known.sum())])
        slopes[:, k] = np.linalg.lstsq(design, off[known, k], rcond=None)[0][:2]
    return slopes


@lru_cache(maxsize=1)
def donors() -> tuple[Donor, ...]:
    """Read all donors."""
    rows = json.loads(FILE.read_text(encoding="utf-8"))["donors"]
    return tuple(
        Donor(
            row["family"],
            row["difficulty"],
            row["lying"],
            row["tilt_deg"],
            np.array(row["outline"]),
            row["apart_mm"],
            row["cue_true"],
            row["cue_found"],
            row["cue_share"],
            np.array(row["cue_offset"]),
            *(np.array(row[name]) for name in ("toward", "held", "chance", "size_off", "size_u")),
            *(np.array(row[name], float) for name in ("fit_off", "fit_u")),
            row["far_off"],
            row["fit_tilt_deg"],
            row["excess"],
        )
        for row in rows
    )


def draw_donor(
    rng: np.random.Generator, truth: Mapping[str, Any], difficulty: str, *, cued: bool, own: bool = True
) -> Donor:
    """One donor that is like a pepper as far as there are enough: of its family, difficulty, pose, cue and tilt.

    Parameters
    ----------
    rng : numpy.random.Generator
    truth : mapping
        The pepper's, as `outline_scenes` tells it.
    difficulty : str
    cued : bool
        Whether the true masks show a stem end.
    own : bool
        False to draw from all families alike.
    """
    tilt = abs(truth["axis_towards_camera_deg"])
    likeness: tuple[Callable[[Donor], bool], ...] = (
        lambda d: d.family == truth["made"]["generator"] or not own,
        lambda d: d.difficulty == difficulty,
        lambda d: d.lying == (truth["pose"] == "lying"),
        lambda d: (d.cue_true is not None) == cued,
    )
    pool: Sequence[Donor] = donors()
    for alike in likeness:
        near = [d for d in pool if alike(d)]
        pool = near if len(near) >= FEW else pool
    # A third of them, the nearest: sizes along a foreshortened axis are misread farther.
    nearest = sorted(pool, key=lambda d: abs(d.tilt_deg - tilt))[: max(len(pool) // 3, FEW)]
    return nearest[int(rng.integers(len(nearest)))]


def toward_stem(axis_px: Floats) -> Floats:
    """Unit vector in the picture from blossom end to stem end, from the axis' two ends."""
    way = np.asarray(axis_px[1]) - np.asarray(axis_px[0])
    unit: Floats = way / max(float(np.linalg.norm(way)), 1e-9)
    return unit


def frame_of(axis: Floats) -> Floats:
    """Unit vectors along an axis, toward the camera and aside (3, 3); the axis as the line of sight sees it."""
    sight = np.array([0.0, 0.0, -1.0]) if abs(axis[2]) < 0.99 else np.array([1.0, 0.0, 0.0])
    near = sight - (sight @ axis) * axis
    near /= np.linalg.norm(near)
    return np.stack([axis, near, np.cross(axis, near)])


def read_moves(donor: Donor, why: Floats) -> Floats:
    """By how much the donor's network would read ln of diameter and length otherwise of another pepper (2,).

    Parameters
    ----------
    donor : Donor
    why : float64 (2, 2)
        That pepper's `causes`; NaN where its pose hides a length.
    """
    return np.nan_to_num(follows() * (why - donor.causes())).sum(axis=0)


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
