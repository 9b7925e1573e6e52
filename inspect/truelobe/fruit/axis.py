"""Where a pepper's stem end is in the picture, and what that says about how it lies.

The calyx marks the stem end; the stem points out of it. A calyx near the outline's rim means a pepper lying on
its side, one near the middle a pepper standing on its blossom end. With neither in sight the axis can only be
guessed from the outline's form, and the guess says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.silhouette import Silhouette, bounding_box

Floats = NDArray[np.float64]
Pose = Literal["lying", "standing", "upside down"]

# A calyx of which less than this share of the body shows is a glimpse: its middle tells the side, not the place.
GLIMPSE = 0.004
# A calyx seen without a stem must be this large to be believed: small green patches on colored skin look alike. On
# development plates the smallest that was one takes up 0.017.
BELIEVED = 0.016
# A stem belongs to a fruit that it comes this near to, and a calyx to a stem this near to it, as a share of the
# fruit's own size.
STEM_GAP, CALYX_GAP = 0.07, 0.3


@dataclass(frozen=True)
class StemCue:
    """The stem end as seen.

    Attributes
    ----------
    end_px : float64, shape (2,)
        Middle of the calyx, or where the stem leaves the body when no calyx shows.
    kind : {"calyx", "stem"}
    share : float
        Calyx area (or stem area) over body area, in pixels.
    blossom_px : float64, shape (2,), or None
        The blossom end, where a person marked the whole axis.
    """

    end_px: Floats
    kind: Literal["calyx", "stem"]
    share: float
    blossom_px: Floats | None = None


def stem_cue(silhouette: Silhouette) -> StemCue | None:
    """Return the stem end as the masks show it, or None where neither calyx nor stem shows.

    The stem decides, since green skin can look like calyx; a calyx beside its foot then tells the place better
    than the foot does.
    """
    body = float(np.count_nonzero(silhouette.body))
    if body == 0:
        return None
    origin = np.array(silhouette.box[:2], dtype=np.float64)
    size = float(np.sqrt(body))
    foot = _foot(silhouette, STEM_GAP * size)
    calyx = _calyx_near(silhouette, foot, CALYX_GAP * size)
    if calyx is not None and (calyx[1] >= GLIMPSE * body if foot is not None else calyx[1] >= BELIEVED * body):
        return StemCue(calyx[0] + origin, "calyx", calyx[1] / body)
    if foot is not None:
        return StemCue(foot + origin, "stem", float(np.count_nonzero(silhouette.stem)) / body)
    return None


def _foot(silhouette: Silhouette, gap: float) -> Floats | None:
    """Where the stem leaves the fruit: the stem's pixels nearest the body, or None if none comes near it."""
    if np.count_nonzero(silhouette.stem) < max(12.0, 0.002 * np.count_nonzero(silhouette.body)):
        return None
    away = cv2.distanceTransform((~silhouette.body).astype(np.uint8), cv2.DIST_L2, 5)
    count, parts = cv2.connectedComponents(silhouette.stem.astype(np.uint8))
    best: tuple[int, Floats] | None = None
    for part in range(1, count):
        rows, columns = np.nonzero(parts == part)
        near = away[rows, columns]
        if near.min() > gap or (best is not None and len(rows) <= best[0]):
            continue
        close = near <= near.min() + 0.25 * gap
        inward = np.column_stack([columns, rows])[close].astype(np.float64)
        best = len(rows), inward.mean(axis=0)
    return None if best is None else best[1]


def _calyx_near(silhouette: Silhouette, foot: Floats | None, gap: float) -> tuple[Floats, float] | None:
    """Middle and area of the calyx: the parts near the stem's foot, or the largest part where no stem shows."""
    x0, y0, x1, y1 = bounding_box(silhouette.calyx)
    if x0 == x1:
        return None
    part = np.ascontiguousarray(silhouette.calyx[y0:y1, x0:x1]).view(np.uint8)
    _, _, stats, middles = cv2.connectedComponentsWithStats(part)
    middles = middles + np.array([x0, y0])
    areas = stats[1:, cv2.CC_STAT_AREA].astype(np.float64)
    if foot is None:
        largest = int(areas.argmax())
        return np.asarray(middles[1 + largest], np.float64), float(areas[largest])
    near = np.linalg.norm(middles[1:] - foot, axis=1) <= gap
    if not near.any():
        return None
    weights = areas[near]
    middle: Floats = (middles[1:][near] * weights[:, None]).sum(axis=0) / weights.sum()
    return middle, float(weights.sum())


def principal_axes(silhouette: Silhouette) -> tuple[Floats, float]:
    """Return the direction of the body's longer principal axis in the picture, and longer over shorter extent."""
    moments = cv2.moments(silhouette.body.view(np.uint8), binaryImage=True)
    spread = np.array([[moments["mu20"], moments["mu11"]], [moments["mu11"], moments["mu02"]]])
    values, vectors = np.linalg.eigh(spread / max(moments["m00"] - 1, 1))
    return vectors[:, 1], float(np.sqrt(values[1] / max(values[0], 1e-9)))


# A dent of the outline counts from this depth, as a share of the fruit's size: shallower ones are edge noise.
# Those deeper than DEEP count no more than it: they may be a broken outline.
LEAST_NOTCH, DEEP = 0.012, 0.05
# What each sign of the axis is worth where no stem shows: the outline's longer side (logarithm of longer over
# shorter extent), its dents (summed depth), the run of the shading. Concentrations of a von Mises distribution of
# twice the angle, fitted by maximum likelihood to 46 real peppers with a stem (whose masks lie beside the training
# configuration) and 206 made ones, and set nearer to the real ones: dents speak 200 on the made ones, 18 there.
LONGER, DENTS, SHADING = 3.2, 24.0, 3.2
# A calyx glimpsed at the rim, this far from the middle as a share of the fruit's size, and nearly large enough to
# be believed, is worth as much as clear dents: a judgement.
AT_RIM, CALYX = 0.35, 3.0


@dataclass(frozen=True)
class AxisGuess:
    """An axis guessed where no stem shows.

    Attributes
    ----------
    direction : float64, shape (2,)
        Unit vector in the picture; its sign means nothing unless a calyx is glimpsed.
    strength : float
        Concentration of a von Mises distribution of twice the angle.
    """

    direction: Floats
    strength: float

    @property
    def u_rad(self) -> float:
        """Standard uncertainty of the direction, near it."""
        return 0.5 / float(np.sqrt(max(self.strength, 0.2)))

    @property
    def against(self) -> float:
        """How much likelier the axis is along than across: a difference of logarithms."""
        return 2 * self.strength


def dents(silhouette: Silhouette) -> Floats:
    """Return where the outline's dents lie, at twice their angle, each as long as it is deep.

    The grooves between lobes run from stem end to blossom end, so the dents they leave in the outline lie at the
    ends of the axis. A dent is a convexity defect of the outline; its depth is a share of the fruit's size.
    """
    outline = silhouette.outline_px[0]
    points = np.round(outline * 8).astype(np.int32).reshape(-1, 1, 2)
    corners = cv2.convexHull(points, returnPoints=False)
    if len(corners) < 4:
        return np.zeros(2)
    corners = np.sort(corners, axis=0)[::-1]
    defects = np.asarray(cv2.convexityDefects(points, corners))
    if defects.ndim == 0:
        return np.zeros(2)  # a convex outline: OpenCV answers None
    defects = defects.reshape(-1, 4)
    depth = defects[:, 3] / 256 / 8 / np.sqrt(np.count_nonzero(silhouette.body))
    deep = depth >= LEAST_NOTCH
    away = outline[defects[deep, 2]] - (outline.max(axis=0) + outline.min(axis=0)) / 2
    twice = 2 * np.arctan2(away[:, 1], away[:, 0])
    weight = np.minimum(depth[deep], DEEP)
    return np.array([(weight * np.cos(twice)).sum(), (weight * np.sin(twice)).sum()])


def glimpsed_calyx(silhouette: Silhouette) -> Floats:
    """Return the direction, as long as it is worth, of a calyx too small to be believed by itself.

    Only one near the rim counts: in the middle of the fruit it would mean a standing pepper or a green patch.
    """
    body = float(np.count_nonzero(silhouette.body))
    calyx = _calyx_near(silhouette, None, 0.0)
    if body == 0 or calyx is None:
        return np.zeros(2)
    outline = silhouette.outline_px[0]
    away = calyx[0] + np.array(silhouette.box[:2]) - (outline.max(axis=0) + outline.min(axis=0)) / 2
    far = float(np.hypot(*away))
    if far < AT_RIM * np.sqrt(body):
        return np.zeros(2)
    worth: Floats = away / far * min(calyx[1] / (BELIEVED * body), 1.0)
    return worth


def guessed_axis(silhouette: Silhouette) -> AxisGuess:
    """Guess the axis where no stem shows: from the outline, the shading, and a calyx perhaps glimpsed."""
    glimpse = glimpsed_calyx(silhouette)
    return _guess(signs_of_form(silhouette) + CALYX * _twice(glimpse), toward=glimpse)


def signs_of_form(silhouette: Silhouette) -> Floats:
    """Return what outline and shading say of the axis, at twice its angle, as long as it is worth, shape (2,)."""
    long, ratio = principal_axes(silhouette)
    signs: Floats = LONGER * np.log(ratio) * _twice(long) + DENTS * dents(silhouette) + SHADING * silhouette.grain
    return signs


def axis_despite(silhouette: Silhouette, seen: Floats) -> tuple[AxisGuess, float]:
    """Return the axis that outline and shading speak for, and how much likelier than the stem end's they make it.

    A stem may be a neighbor's, a calyx a green patch: of 127 stem ends seen on development plates three lie more
    than 40 degrees off the axis. `seen` leads from the fruit's middle to the stem end, shape (2,). The second
    figure is a difference of log likelihoods.
    """
    guess = _guess(signs_of_form(silhouette), toward=seen)
    along = _twice(guess.direction) @ _twice(seen / max(float(np.hypot(*seen)), 1e-9))
    return guess, guess.strength * float(1 - along)


def _twice(vector: Floats) -> Floats:
    """The square of a vector taken as a complex number: opposite directions are one."""
    return np.array([vector[0] ** 2 - vector[1] ** 2, 2 * vector[0] * vector[1]])


def _guess(signs: Floats, toward: Floats) -> AxisGuess:
    angle = 0.5 * np.arctan2(signs[1], signs[0])
    direction = np.array([np.cos(angle), np.sin(angle)])
    return AxisGuess(-direction if direction @ toward < 0 else direction, float(np.hypot(*signs)))
