"""An invented plate for tests of what is shown: a drawn picture and the document that would come with it."""

import cv2
import numpy as np

from truelobe import __version__, schema
from truelobe.figures import Contribution, from_normal
from truelobe.grading import Limit, decide
from truelobe.report.overlay import SkinMasks

WIDTH, HEIGHT = 2400, 1800
_BUDGET = (("focal length", 0.9, "camera"), ("height of the plate", 0.5, "photo"), ("outline", 0.4, "pepper"))
_LIMITS = (
    Limit("U.S. No. 1 diameter", "diameter", 63.5, "mm", "at least"),
    Limit("U.S. Fancy diameter", "diameter", 76.2, "mm", "at least"),
    Limit("U.S. No. 1 length", "length", 63.5, "mm", "at least"),
    Limit("U.S. Fancy length", "length", 88.9, "mm", "at least"),
    Limit("House rule 15 %", "not_fully_coloured", 0.15, "fraction", "under"),
)
#        x     y    half axes  turn  diameter length  uncoloured  colour   paint
_PEPPERS = (
    (620, 560, 250, 215, 20, 84.0, 91.0, 0.04, "red", (176, 28, 24)),
    (1260, 520, 240, 210, -35, 76.0, 88.0, 0.16, "red", (168, 34, 22)),
    (680, 1190, 230, 190, 70, 63.9, 71.0, 0.31, "yellow", (226, 176, 26)),
    (1290, 1160, 255, 225, 0, 88.0, 94.0, 0.0, "green", (44, 96, 34)),
    (1880, 820, 235, 200, 110, 71.0, 80.0, 0.09, "orange", (224, 118, 22)),
)


def _ellipse(x, y, a, b, turn):
    t = np.linspace(0, 2 * np.pi, 121)[:-1]
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    wobble = 1 + 0.03 * np.cos(4 * t)
    u, v = a * np.cos(t) * wobble, b * np.sin(t) * wobble
    return np.column_stack([x + c * u - s * v, y + s * u + c * v])


def picture():
    """Return an upright photo, uint8 (1800, 2400, 3)."""
    pixels = np.full((HEIGHT, WIDTH, 3), (168, 148, 124), np.uint8)
    cv2.circle(pixels, (1230, 870), 860, (232, 230, 224), -1, cv2.LINE_AA)
    for x, y, a, b, turn, *_, colour, paint in _PEPPERS:
        cv2.fillPoly(pixels, [np.round(_ellipse(x, y, a, b, turn)).astype(int)], paint, cv2.LINE_AA)
        cv2.circle(pixels, (x - 60, y - 70), 26, (250, 248, 240), -1, cv2.LINE_AA)
        del colour
    noise = np.random.default_rng(4).normal(0, 4, pixels.shape)
    return np.clip(cv2.GaussianBlur(pixels, (0, 0), 3) + noise, 0, 255).astype(np.uint8)


def _pepper(number, x, y, a, b, turn, diameter, length, uncoloured, colour):
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    figures = {
        "diameter": from_normal(diameter, 1.6, [Contribution(*line) for line in _BUDGET]),
        "length": from_normal(length, 2.8, [Contribution(*line) for line in _BUDGET]),
        "not_fully_coloured": from_normal(uncoloured, 0.02).clipped(0, 1),
    }
    decisions = [decide(figures[limit.quantity], limit).document() for limit in _LIMITS]
    for decision in decisions:
        if decision["outcome"] == "too close":
            decision["what_would_settle"] = "Turn it a third of a turn and take one more photo, or use a caliper."
    return {
        "number": number,
        "centre_px": [float(x), float(y)],
        "outline_px": [_ellipse(x, y, a, b, turn).tolist()],
        "stem_px": None,
        "pose": "lying",
        "axis_px": {
            "stem_end": [x - a * c, y - a * s],
            "blossom_end": [x + a * c, y + a * s],
            "standard_uncertainty_deg": 5.0,
            "unsure": False,
        },
        "colour": colour,
        "hidden_fraction": 0.0,
        "doubtful": number == 5,
        "diameter_mm": figures["diameter"].document(),
        "width_seen_mm": from_normal(diameter - 2.6, 1.4).document(),
        "length_mm": figures["length"].document(),
        "not_fully_coloured": figures["not_fully_coloured"].document(),
        "decisions": decisions,
    }


def document(**changes):
    """Return a measurement document of five peppers that fits the schema."""
    written = {
        "schema": 1,
        "status": "ok",
        "messages": [],
        "photo": {
            "name": "plate.jpg",
            "width_px": WIDTH,
            "height_px": HEIGHT,
            "sha256": "0" * 64,
            "focal_source": "exif",
        },
        "made_by": {"tool": f"truelobe {__version__}"},
        "peppers": [_pepper(n, *row[:-1]) for n, row in enumerate(_PEPPERS, start=1)],
    } | changes
    schema.check(written)
    return written


def skin():
    """Return masks by pepper number: a slice of uncoloured skin and a round highlight."""
    masks = {}
    for number, (x, y, a, b, turn, *_) in enumerate(_PEPPERS, start=1):
        reach = max(a, b) + 20
        gx, gy = np.meshgrid(np.arange(x - reach, x + reach), np.arange(y - reach, y + reach))
        body = np.zeros(gx.shape, np.uint8)
        cv2.fillPoly(body, [np.round(_ellipse(x, y, a, b, turn) - (x - reach, y - reach)).astype(int)], 1)
        light = np.hypot(gx - x + 60, gy - y + 70) < 45
        counted = body.astype(bool) & (gx + gy > x + y + 120 + 30 * number) & ~light
        masks[number] = SkinMasks((x - reach, y - reach, x + reach, y + reach), counted, light)
    return masks
