"""Invented plates for the tests of classes: documents that fit the schema, hand facts, photos."""

import io
from datetime import UTC, datetime

import numpy as np
from PIL import Image, ImageDraw

from truelobe import schema
from truelobe.figures import Contribution, from_normal
from truelobe.grading import HandFacts

DAY = datetime(2026, 5, 14, 9, 0, tzinfo=UTC)


def figure(value, own=0.4, scale=0.0, camera=0.0, photo=0.0):
    lines = [
        Contribution("outline", own, "pepper"),
        Contribution("card scale", scale, "print"),
        Contribution("focal length", camera, "camera"),
        Contribution("height of the plate", photo, "photo"),
    ]
    return from_normal(value, float(np.sqrt(sum(line.effect**2 for line in lines))), lines)


def pepper(number, diameter, length=95.0, uncoloured=0.03, **errors):
    x, y, r = 300 + 420 * ((number - 1) % 3), 320 + 420 * ((number - 1) // 3), 150
    t = np.linspace(0, 2 * np.pi, 61)[:-1]
    return {
        "number": number,
        "centre_px": [float(x), float(y)],
        "outline_px": [np.column_stack([x + r * np.cos(t), y + r * np.sin(t)]).tolist()],
        "stem_px": None,
        "pose": "lying",
        "axis_px": {
            "stem_end": [x, y - r],
            "blossom_end": [x, y + r],
            "standard_uncertainty_deg": 4.0,
            "unsure": False,
        },
        "colour": "red",
        "hidden_fraction": 0.0,
        "doubtful": False,
        "diameter_mm": figure(diameter, **errors).document(),
        "width_seen_mm": figure(diameter - 2, **errors).document(),
        "length_mm": figure(length, **errors).document(),
        "not_fully_coloured": figure(uncoloured, own=0.008).document(),
        "decisions": [],
    }


def document(diameters, *, sha="a", print_number=7, uncoloured=0.03, lengths=None, **errors):
    written = {
        "schema": 1,
        "status": "ok",
        "messages": [],
        "photo": {"width_px": 1400, "height_px": 1100, "sha256": sha * 64, "focal_source": "exif"},
        "made_by": {
            "tool": "truelobe 0.1.0",
            "card": {
                "edition": "TL1",
                "print_number": print_number,
                "outline_px": [[1100, 900], [1390, 900], [1390, 1090], [1100, 1090]],
            },
        },
        "peppers": [
            pepper(n, d, (lengths or [95.0] * len(diameters))[n - 1], uncoloured, **errors)
            for n, d in enumerate(diameters, start=1)
        ],
    }
    schema.check(written)
    return written


def by_hand(words, peppers=(1, 2, 3)):
    """Return hand facts from ``{"firmness": ["firm", "soft", "firm"]}``."""
    facts = HandFacts()
    for fact, said in words.items():
        for number, word in zip(peppers, said, strict=True):
            facts = facts.record(number, fact, word, DAY)
    return facts


def photo(shade=0):
    """Return a JPEG of three painted peppers on a plate, 1400 by 1100."""
    image = Image.new("RGB", (1400, 1100), (150, 140, 128))
    draw = ImageDraw.Draw(image)
    draw.ellipse((40, 40, 1360, 1060), fill=(232, 230, 224))
    for number in (1, 2, 3):
        x, y = 300 + 420 * ((number - 1) % 3), 320
        draw.ellipse((x - 150, y - 150, x + 150, y + 150), fill=(170 + shade, 30, 26))
    draw.rectangle((1100, 900, 1390, 1090), fill=(250, 250, 250))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=88)
    return buffer.getvalue()
