"""Cards: invented test charts for training, and the project's own card run through a simulated printer."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

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


HERE = Path(__file__).parent
LAYOUT = HERE.parents[1] / "calibration" / "cards" / "tl1.json"
PIXELS_PER_MM = 10


@lru_cache(maxsize=1)
def layout() -> dict[str, Any]:
    """The card's layout, as the project's own data says it."""
    found: dict[str, Any] = json.loads(LAYOUT.read_text())
    return found


def own_cards() -> list[Path]:
    """Pictures of our card, edge to edge, one a print number, drawn by the project's own drawing code."""
    return sorted((HERE / "cards").glob("tl1-*.png"))


def print_card(rng: np.random.Generator) -> tuple[Floats, tuple[float, float], dict[str, Any]]:
    """Our card as some printer prints it.

    Returns
    -------
    picture : (h, w, 3) linear reflectance
    size : width and height on paper, mm
    truth : dict
        Print number, scale per axis, exact lengths of both bars, printed Lab and error of every patch.
    """
    paths = own_cards()
    path = paths[int(rng.integers(len(paths)))]
    plan = layout()
    nominal = np.asarray(Image.open(path).convert("RGB"), float) / 255
    common = between(rng, 0.96, 1.01) if chance(rng, 0.75) else between(rng, 0.94, 0.97)
    across, down = (float(np.clip(common + rng.normal() * 0.004, 0.94, 1.01)) for _ in range(2))
    cast = np.array([0, *(rng.normal(size=2) * 2.2)])
    paper = np.array([between(rng, 90, 96), *(rng.normal(size=2) * 1.2 + [0.5, -1.0])])
    black = np.array([between(rng, 9, 24), *(rng.normal(size=2) * 1.5)])
    tone = between(rng, -0.06, 0.06)
    lightness = colours.lab(colours.decode(nominal))[..., :1] / 100
    picture = colours.unlab(black + (paper - black) * lightness ** (1 + tone))
    aims = sorted((between(rng, 2.0, 4.5), between(rng, 4.0, 8.0)))
    patches, drawn = [], {}
    for patch in plan["patches"]:
        grey = patch["kind"] == "grey"
        family = patch["name"].rsplit("-", 1)[0] if grey else patch["name"]
        if family not in drawn:
            drawn[family] = _misprint(
                rng, np.array(patch["lab"], float), cast, between(rng, *aims) * (0.7 if grey else 1.0)
            )
        printed = drawn[family] + rng.normal(size=3) * 0.25
        x, y, w, h = (round(v * PIXELS_PER_MM) for v in patch["box_mm"])
        block = picture[y : y + h, x : x + w]
        block[:] = colours.unlab(printed + rng.normal(size=(*block.shape[:2], 1)) * 0.5)
        error = float(colours.ciede2000(np.array(patch["lab"], float), printed))
        patches.append({"name": patch["name"], "lab": np.round(printed, 3).tolist(), "de00": round(error, 2)})
    bars = {name: _length(bar) for name, bar in plan["bars"].items()}
    size = (plan["size_mm"][0] * across, plan["size_mm"][1] * down)
    return (
        np.clip(picture, 0.004, 0.95),
        size,
        {
            "edition": plan["edition"],
            "print_number": int(path.stem.split("-")[1]),
            "scale_across": across,
            "scale_down": down,
            "bar_across_mm": bars["across"] * across,
            "bar_down_mm": bars["down"] * down,
            "size_mm": [round(v, 4) for v in size],
            "patches": patches,
        },
    )


def _misprint(rng: np.random.Generator, aim: Floats, cast: Floats, difference: float) -> Floats:
    """A color that lies `difference` CIEDE2000 units from the aim, mostly where the printer's cast pulls."""
    pull = cast + rng.normal(size=3) * [1.6, 1.3, 1.3]
    low, high = 0.0, 40.0
    for _ in range(30):
        middle = (low + high) / 2
        error = float(colours.ciede2000(aim, aim + pull / np.linalg.norm(pull) * middle))
        low, high = (middle, high) if error < difference else (low, middle)
    return aim + pull / np.linalg.norm(pull) * low


def _length(bar: dict[str, list[float]]) -> float:
    return float(np.hypot(bar["to_mm"][0] - bar["from_mm"][0], bar["to_mm"][1] - bar["from_mm"][1]))
