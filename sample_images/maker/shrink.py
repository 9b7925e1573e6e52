"""Make a set of traced plates small enough to keep: `python -m sample_images.maker.shrink FROM TO`.

A phone takes most of a picture's noise out before it stores it; the tracer's noise is of the same kind, so the
same is done here (non-local means, Buades, Coll & Morel 2005, at low strength), then JPEG at the highest quality
that stays under the wanted size. Truth polygons lose vertices that lie within a third of a pixel of the line
without them (Douglas & Peucker 1973). EXIF and color profile are carried over.
"""

from __future__ import annotations

import argparse
import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

MOST_BYTES = 84_000
QUALITIES = range(90, 42, -4)
POLYGONS = ("outline_px", "calyx_px", "stem_px")


def shrink_picture(source: Path, target: Path, most: int = MOST_BYTES) -> None:
    """Write a picture with less noise and fewer bytes."""
    picture = Image.open(source)
    kept: dict[str, Any] = {"exif": picture.getexif()}
    if "icc_profile" in picture.info:
        kept["icc_profile"] = picture.info["icc_profile"]
    calm = cv2.fastNlMeansDenoisingColored(np.asarray(picture.convert("RGB")), None, 3, 4, 3, 7)
    for quality in QUALITIES:
        buffer = io.BytesIO()
        Image.fromarray(calm).save(buffer, "JPEG", quality=quality, **kept)
        if buffer.tell() <= most:
            break
    target.write_bytes(buffer.getvalue())


def shrink_truth(source: Path, target: Path) -> None:
    """Write a truth file with thinner polygons."""
    truth: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    for pepper in truth["peppers"]:
        for name in POLYGONS:
            pepper[name] = [_thin(ring) for ring in pepper.get(name) or []]
    target.write_text(json.dumps(truth, separators=(",", ":")) + "\n", encoding="utf-8")


def _thin(ring: list[list[float]]) -> list[list[float]]:
    points = np.asarray(ring, np.float32).reshape(-1, 1, 2)
    if len(points) < 8:
        return ring
    kept = cv2.approxPolyDP(points, 0.3, True).reshape(-1, 2)
    return [[round(float(x), 1), round(float(y), 1)] for x, y in kept]


def main() -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path)
    parser.add_argument("target", type=Path)
    parser.add_argument("--most", type=int, default=MOST_BYTES)
    given = parser.parse_args()
    given.target.mkdir(parents=True, exist_ok=True)
    for picture in sorted(given.source.glob("*.jpg")):
        truth = picture.with_suffix(".truth.json")
        if truth.exists():
            shrink_picture(picture, given.target / picture.name, given.most)
            shrink_truth(truth, given.target / truth.name)
            print(picture.name, (given.target / picture.name).stat().st_size, flush=True)


if __name__ == "__main__":
    main()
