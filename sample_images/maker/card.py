"""Cards: invented test charts for training, and the project's own card run through a simulated printer."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import between, chance
from .textures import tint

Floats = NDArray[np.floating[Any]]


def random_card(rng: np.random.Generator) -> tuple[Floats, tuple[float, float]]:
    """Some card or other: paper with squares, patches and lines; picture (h, w, 3) linear, size in mm."""
    width, height = between(rng, 70, 190), between(rng, 50, 130)
    h, w = int(height * 4), int(width * 4)
    picture = np.tile(
        np.clip(
            colours.unlab(np.array([between(rng, 80, 96), between(rng, -2, 3), between(rng, -4, 7)])), 0, 0.92
        ),
        (h, w, 1),
    )
    ink = colours.unlab(np.array([between(rng, 8, 30), 0.0, 0.0]))
    rows, columns = int(rng.integers(3, 9)), int(rng.integers(4, 12))
    style = rng.random()
    y0, y1, x0, x1 = (
        int(0.08 * h),
        int(between(rng, 0.5, 0.95) * h),
        int(0.06 * w),
        int(between(rng, 0.5, 0.95) * w),
    )
    for r in range(rows):
        for c in range(columns):
            ya, yb = y0 + (y1 - y0) * r // rows, y0 + (y1 - y0) * (r + 1) // rows
            xa, xb = x0 + (x1 - x0) * c // columns, x0 + (x1 - x0) * (c + 1) // columns
            if style < 0.55:
                if (r + c) % 2 == 0:
                    picture[ya:yb, xa:xb] = ink
                elif chance(rng, 0.7):
                    n = (yb - ya) // 8
                    cells = rng.random((6, 6)) < 0.5
                    tag = np.kron(cells, np.ones((max(n, 1), max(n, 1)), bool))[
                        : max(yb - ya - 2 * n, 0), : max(xb - xa - 2 * n, 0)
                    ]
                    picture[ya + n : ya + n + tag.shape[0], xa + n : xa + n + tag.shape[1]][tag] = ink
            else:
                gap = 3
                picture[ya + gap : yb - gap, xa + gap : xb - gap] = tint(rng, 0.75)
    if style < 0.55 and y1 < 0.85 * h:
        count = int(rng.integers(4, 12))
        for c in range(count):
            xa, xb = int(w * (0.06 + 0.88 * c / count)), int(w * (0.06 + 0.88 * (c + 0.85) / count))
            picture[y1 + 8 : h - 10, xa:xb] = (
                tint(rng, 0.75) if chance(rng, 0.6) else np.full(3, between(rng, 0.03, 0.8))
            )
    return np.clip(picture, 0.01, 0.92), (width, height)
