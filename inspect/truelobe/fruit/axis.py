"""Where a pepper's stem end is in the picture, and what that says about how it lies.

The calyx marks the stem end; the stem points out of it. A calyx near the outline's rim means a pepper lying on
its side, one near the middle a pepper standing on its blossom end. What the rest of the picture says of the axis
is read by `truelobe.fruit.bearing`.
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
