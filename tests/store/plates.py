"""Plates for the tests: documents that fit the schema, and small photos."""

import io
import random
from collections.abc import Sequence
from typing import Any

from PIL import ExifTags, Image, ImageDraw

from truelobe.figures import Contribution, from_normal

COLOURS = ("red", "yellow", "orange", "green")


def figure(value: float, u: float) -> dict[str, Any]:
    return from_normal(value, u, [Contribution("scale", u, "print")]).document()


def pepper(number: int, colour: str, diameter: float, length: float | None, coverage: float) -> dict[str, Any]:
    x = 100.0 + 130 * number
    outline = [[x - 40, 200.0], [x + 40, 200.0], [x + 40, 300.0], [x - 40, 300.0]]
    return {
        "number": number,
        "centre_px": [x, 250.0],
        "outline_px": [outline],
        "stem_px": None,
        "pose": "lying" if length else "standing",
        "colour": colour,
        "hidden_fraction": 0.0,
        "doubtful": False,
        "diameter_mm": figure(diameter, 1.2),
        "width_seen_mm": figure(diameter - 2, 1.0),
        "length_mm": figure(length, 1.5) if length else None,
        "not_fully_coloured": figure(coverage, 0.01),
        "decisions": [
            decision("House rule", "not_fully_coloured", 0.15, "fraction", "met" if coverage < 0.15 else "missed"),
            decision("U.S. standard", "diameter", 76.2, "mm", "met" if diameter > 78 else "too close"),
        ],
    }


def decision(rule: str, quantity: str, limit: float, unit: str, outcome: str) -> dict[str, Any]:
    return {
        "rule": rule,
        "quantity": quantity,
        "limit": limit,
        "unit": unit,
        "basis": "seen",
        "outcome": outcome,
        "probability_met": 0.5,
    }


def document(
    peppers: Sequence[dict[str, Any]] = (), status: str = "ok", sha256: str | None = None
) -> dict[str, Any]:
    return {
        "schema": 1,
        "status": status,
        "messages": [],
        "photo": {"width_px": 800, "height_px": 600, "sha256": sha256, "focal_source": "exif"},
        "made_by": {
            "tool": "truelobe 0.1.0",
            "card": {"edition": "A", "outline_px": [[600, 420], [760, 420], [760, 560], [600, 560]]},
        },
        "peppers": list(peppers),
    }


def any_document(seed: int) -> dict[str, Any]:
    chance = random.Random(seed)
    colour = chance.choice(COLOURS)
    return document(
        [
            pepper(n, colour, chance.uniform(60, 95), chance.uniform(60, 110), chance.uniform(0, 0.4))
            for n in range(1, chance.randint(2, 5))
        ]
    )


def photo(seed: int = 0, size: tuple[int, int] = (800, 600), kind: str = "JPEG", **save: Any) -> bytes:
    chance = random.Random(seed)
    image = Image.new("RGB", size, (235, 232, 225))
    draw = ImageDraw.Draw(image)
    for _ in range(5):
        x, y = chance.randrange(size[0]), chance.randrange(size[1])
        draw.ellipse((x - 60, y - 60, x + 60, y + 60), fill=(chance.randrange(256), chance.randrange(256), 30))
    buffer = io.BytesIO()
    image.save(buffer, kind, **save)
    return buffer.getvalue()


def telling_exif(orientation: int = 1) -> Image.Exif:
    """Metadata as a phone writes it, with a place and a time that must not be kept."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Make] = "Maker"
    exif[ExifTags.Base.Model] = "Phone 1"
    exif[ExifTags.Base.Artist] = "A. Student"
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    inner[ExifTags.Base.DateTimeOriginal] = "2026:05:14 10:00:00"
    inner[ExifTags.Base.BodySerialNumber] = "SN-12345"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (44.0, 30.0, 0.0)
    return exif
