"""Outlines by colour alone: the stand-in for when the trained outline model is missing.

Good enough for single, well parted peppers on a plain, neutral plate, and for nothing else; it knows neither calyx
nor stem. So everything it finds is marked doubtful, for a person to look at.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.feature import peak_local_max
from skimage.segmentation import watershed

from truelobe.fruit.silhouette import Mask, Polygon, Silhouette, bounding_box, filled, grown, mask_contours

_WORKING_PX = 480
_SMALLEST = 1 / 400
"""Smallest body, as a fraction of the picture."""


def find_by_colour(pixels: NDArray[np.uint8], exclude: Sequence[Polygon] = ()) -> tuple[Silhouette, ...]:
    """Outline strongly coloured things that stand out from the picture's border.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        Upright RGB photo.
    exclude : sequence of polygons
        Photo areas, such as the card, where nothing is looked for.
    """
    scale = min(1.0, _WORKING_PX / max(pixels.shape[:2]))
    size = (max(round(pixels.shape[1] * scale), 1), max(round(pixels.shape[0] * scale), 1))
    small = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    barred = filled([(np.asarray(ring) + 0.5) * scale - 0.5 for ring in exclude], (0, 0, *size))
    labels = _parted(_foreground(small, barred))
    smallest = _SMALLEST * labels.size
    found = (labels == label for label in range(1, int(labels.max(initial=0)) + 1))
    kept = [mask for mask in found if mask.sum() >= smallest]
    return tuple(_silhouette(number, mask, scale, pixels.shape) for number, mask in enumerate(kept, start=1))


def _foreground(small: NDArray[np.uint8], barred: Mask) -> Mask:
    """Pixels whose colour lies far from the border's, cleaned by GrabCut (Rother, Kolmogorov & Blake 2004)."""
    lab = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    rim = np.ones(barred.shape, bool)
    margin = max(min(barred.shape) // 20, 1)
    rim[margin:-margin, margin:-margin] = False
    border = np.median(lab[rim], axis=0)
    distance = np.hypot(lab[..., 1] - border[1], lab[..., 2] - border[2])
    seed = (distance > 25.0) & ~barred  # a CIELAB hue and chroma difference no neutral plate or shadow reaches
    if not seed.any() or seed.all():
        return np.zeros_like(seed)
    state = np.where(seed, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    state[distance < 8.0] = cv2.GC_BGD
    state[barred] = cv2.GC_BGD
    models = np.zeros((2, 1, 65))
    cv2.grabCut(np.ascontiguousarray(small), state, (0, 0, 0, 0), models[0], models[1], 2, cv2.GC_INIT_WITH_MASK)
    fruit: Mask = (state == cv2.GC_FGD) | (state == cv2.GC_PR_FGD)
    return np.asarray(ndimage.binary_fill_holes(ndimage.binary_opening(fruit, iterations=2)), bool)


def _parted(fruit: Mask) -> NDArray[np.int32]:
    """Part touching bodies where the silhouette narrows: watershed of the distance to the edge."""
    depth = ndimage.gaussian_filter(ndimage.distance_transform_edt(fruit), 2)
    apart = max(int(0.7 * depth.max()), 1)
    peaks = peak_local_max(depth, min_distance=apart, threshold_abs=8, labels=fruit.astype(np.int32))
    markers = np.zeros(fruit.shape, np.int32)
    markers[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    labels: NDArray[np.int32] = watershed(-depth, markers, mask=fruit).astype(np.int32)
    return labels


def _silhouette(number: int, mask: Mask, scale: float, shape: tuple[int, ...]) -> Silhouette:
    rings = tuple((ring + 0.5) / scale - 0.5 for ring in mask_contours(mask, tolerance=0.3)[:1])
    low, high = rings[0].min(axis=0), rings[0].max(axis=0) + 1
    box = grown((int(low[0]), int(low[1]), int(high[0]) + 1, int(high[1]) + 1), 1, shape)
    body = filled(rings, box)
    nothing = np.zeros_like(body)
    inner = bounding_box(body)
    centre = np.array([box[0] + (inner[0] + inner[2] - 1) / 2, box[1] + (inner[1] + inner[3] - 1) / 2])
    return Silhouette(
        number=number,
        box=box,
        body=body,
        calyx=nothing,
        stem=nothing,
        outline_px=rings,
        calyx_px=(),
        stem_px=(),
        centre_px=centre,
        score=0.5,
        doubtful=True,
        hidden_fraction=0.0,
        occluded=tuple(np.zeros(len(ring), bool) for ring in rings),
    )
