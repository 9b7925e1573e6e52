"""A contact sheet, to look at a whole set at once: `python -m sample_images.maker.sheet FOLDER --out FILE.png`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageDraw

COLUMNS, WIDE, HIGH, NAME = 8, 320, 240, 14


def contact_sheet(pictures: Sequence[Path], columns: int = COLUMNS) -> Image.Image:
    """All pictures, small, each under its name."""
    rows = -(-len(pictures) // columns)
    sheet = Image.new("RGB", (columns * WIDE, rows * (HIGH + NAME)), "black")
    pen = ImageDraw.Draw(sheet)
    for number, path in enumerate(pictures):
        x, y = number % columns * WIDE, number // columns * (HIGH + NAME)
        with Image.open(path) as picture:
            picture.draft("RGB", (WIDE, HIGH))
            small = picture.convert("RGB")
        small.thumbnail((WIDE, HIGH))
        pen.text((x + 2, y + 1), path.stem, fill="white")
        sheet.paste(small, (x, y + NAME))
    return sheet


def main() -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    pictures = sorted(path for path in given.folder.iterdir() if path.suffix in (".jpg", ".webp"))
    if not pictures:
        parser.error(f"no pictures in {given.folder}")
    contact_sheet(pictures).save(given.out)


if __name__ == "__main__":
    main()
