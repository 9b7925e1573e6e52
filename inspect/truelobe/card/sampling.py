"""Brightness at points between pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def sample(grey: NDArray[np.uint8], points_px: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the brightness at points between pixels, shape (...,); the border's outside the picture."""
    shape = points_px.shape[:-1]
    flat = points_px.reshape(1, -1, 2).astype(np.float32)
    corner = np.clip(np.floor(flat.min(axis=(0, 1))).astype(int) - 2, 0, np.array(grey.shape[::-1]) - 1)
    end = np.ceil(flat.max(axis=(0, 1))).astype(int) + 3
    part = grey[corner[1] : max(end[1], corner[1] + 1), corner[0] : max(end[0], corner[0] + 1)]
    part = part.astype(np.float32)  # whole bytes in, whole bytes out: remap would round
    local = flat - corner.astype(np.float32)
    rows = [
        cv2.remap(part, block[..., 0], block[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for block in np.array_split(local, max(1, -(-local.shape[1] // 30_000)), axis=1)
    ]
    result: NDArray[np.float32] = np.concatenate(rows, axis=1).astype(np.float32).reshape(shape)
    return result
