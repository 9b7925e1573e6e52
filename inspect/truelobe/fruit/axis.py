"""Where a pepper's stem end is in the picture, and what that says about how it lies.

The calyx marks the stem end; the stem points out of it. A calyx near the outline's rim means a pepper lying on
its side, one near the middle a pepper standing on its blossom end. With neither in sight the axis can only be
guessed from the outline's form, and the guess says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from truelobe.fruit.silhouette import Mask, Silhouette

Floats = NDArray[np.float64]
Pose = Literal["lying", "standing", "upside down"]

# A calyx of which less than this share of the body shows is a glimpse: its middle tells the side, not the place.
GLIMPSE = 0.004


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
    """

    end_px: Floats
    kind: Literal["calyx", "stem"]
    share: float


def stem_cue(silhouette: Silhouette) -> StemCue | None:
    """Return the stem end as the masks show it, or None where neither calyx nor stem shows."""
    body = float(silhouette.body.sum())
    if body == 0:
        return None
    origin = np.array(silhouette.box[:2], dtype=np.float64)
    calyx = float(silhouette.calyx.sum()) / body
    if calyx >= GLIMPSE:
        return StemCue(_middle(silhouette.calyx) + origin, "calyx", calyx)
    if silhouette.stem.sum() >= max(12.0, 0.002 * body):
        return StemCue(_foot(silhouette) + origin, "stem", float(silhouette.stem.sum()) / body)
    return None


def _middle(mask: Mask) -> Floats:
    rows, columns = np.nonzero(mask)
    return np.array([columns.mean(), rows.mean()])


def _foot(silhouette: Silhouette) -> Floats:
    """The stem's pixels nearest the middle of the body: where it leaves the fruit."""
    rows, columns = np.nonzero(silhouette.stem)
    points = np.column_stack([columns, rows]).astype(np.float64)
    away = np.linalg.norm(points - _middle(silhouette.body), axis=1)
    foot: Floats = points[away <= np.quantile(away, 0.15)].mean(axis=0)
    return foot


def principal_axes(silhouette: Silhouette) -> tuple[Floats, float]:
    """Return the direction of the body's longer principal axis in the picture, and longer over shorter extent."""
    rows, columns = np.nonzero(silhouette.body)
    points = np.column_stack([columns, rows]).astype(np.float64)
    values, vectors = np.linalg.eigh(np.cov((points - points.mean(axis=0)).T))
    return vectors[:, 1], float(np.sqrt(values[1] / max(values[0], 1e-9)))
