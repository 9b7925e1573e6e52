"""How blurred the picture is, from the edges of the card's squares."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from truelobe.card.layout import Charuco
from truelobe.card.plane import Plane
from truelobe.card.sampling import sample

_ALONG_MM = np.array([-5.0, -4.0, 4.0, 5.0])  # from the saddle point, clear of it
_POINTS = 41


def edge_spread(
    grey: NDArray[np.uint8], board: Charuco, plane: Plane, index: NDArray[np.int_]
) -> tuple[float, float]:
    """Return the standard deviation of the edge spread, in px and in mm on the card; the worse of two directions.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    board : Charuco
    plane : Plane
    index : ndarray of int, shape (N,)
        Saddle points that were seen.

    Notes
    -----
    An ideal edge blurred by a Gaussian passes from 20 % to 80 % of its height in 1.6832 standard deviations
    (quantiles of the normal law). A motion blurs one direction only, so each has its own figure.
    """
    clear = (board.square_mm - board.marker_mm) / 2
    across = np.linspace(-clear, clear, _POINTS)
    middle = board.corners_mm[index][:, None, None, :]
    worst_px, worst_mm = 0.0, 0.0
    for axis in (0, 1):
        shift = np.zeros((len(_ALONG_MM), _POINTS, 2))
        shift[..., 1 - axis] = _ALONG_MM[:, None]
        shift[..., axis] = across
        points = middle + shift
        widths_mm = _widths(sample(grey, plane.project(points)).reshape(-1, _POINTS), across)
        good = np.isfinite(widths_mm)
        if not good.any():
            continue
        scale = np.linalg.norm(plane.stretch(board.corners_mm[index])[..., axis], axis=-1)
        scales = np.repeat(scale, len(_ALONG_MM))
        worst_mm = max(worst_mm, float(np.median(widths_mm[good])) / 1.6832)
        worst_px = max(worst_px, float(np.median((widths_mm * scales)[good])) / 1.6832)
    return worst_px, worst_mm


def _widths(profiles: NDArray[np.float32], across: NDArray[np.float64]) -> NDArray[np.float64]:
    """20 to 80 % widths of edges, mm; NaN where there is no edge.

    On the light side a marker follows; halfway to it lies the lightest place, and there the profile is ended.
    """
    middle = len(across) // 2
    half = slice(middle + middle // 2 - 2, middle + middle // 2 + 3)
    falling = profiles[:, half].mean(axis=1) < profiles[:, ::-1][:, half].mean(axis=1)
    rising = np.where(falling[:, None], profiles[:, ::-1], profiles).astype(float)[:, : half.stop]
    low, high = rising[:, :4].mean(axis=1), rising[:, half].mean(axis=1)
    height = high - low
    widths = np.full(len(rising), np.nan)
    for i in np.flatnonzero(height > 12):  # levels: an edge, not noise
        level = (np.maximum.accumulate(rising[i]) - low[i]) / height[i]
        widths[i] = _crossing(level, across, 0.8) - _crossing(level, across, 0.2)
    return widths


def _crossing(level: NDArray[np.float64], across: NDArray[np.float64], share: float) -> float:
    """Where a rising profile first passes a share of its height, between samples."""
    i = int(np.argmax(level >= share))
    if i == 0:
        return float(across[0])
    part = (share - level[i - 1]) / (level[i] - level[i - 1])
    return float(across[i - 1] + part * (across[i] - across[i - 1]))
