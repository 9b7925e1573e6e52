"""Measurement documents of invented peppers, for the tests of this folder."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from truelobe.figures import Contribution, from_normal
from truelobe.grading import HandFacts

AT = datetime(2026, 5, 14, 17, 0, tzinfo=UTC)


def figure(value: float, u: float) -> dict[str, Any]:
    budget = (Contribution("edge", 0.6 * u, "pepper"), Contribution("focal length", 0.8 * u, "photo"))
    return from_normal(value, u, budget).document()


def pepper(
    number: int = 1,
    *,
    diameter: float = 80.0,
    length: float | None = 95.0,
    uncoloured: float = 0.05,
    u: float = 1.2,
    u_share: float = 0.015,
    colour: str | None = "red",
    **more: Any,
) -> dict[str, Any]:
    x, y = 300.0 * number, 400.0
    half_wide, half_high = 100.0, 100.0 * (length or diameter) / diameter
    outline = [
        [x - half_wide, y - half_high],
        [x + half_wide, y - half_high],
        [x + half_wide, y + half_high],
        [x - half_wide, y + half_high],
    ]
    share = from_normal(uncoloured, u_share).clipped(0, 1).document()
    return {
        "number": number,
        "centre_px": [x, y],
        "outline_px": [outline],
        "stem_px": None,
        "pose": "lying",
        "axis_px": {
            "stem_end": [x, y - half_high],
            "blossom_end": [x, y + half_high],
            "standard_uncertainty_deg": 2.0,
            "unsure": False,
        },
        "colour": colour,
        "hidden_fraction": 0.0,
        "doubtful": False,
        "diameter_mm": figure(diameter, u),
        "width_seen_mm": figure(diameter - 2, u),
        "length_mm": None if length is None else figure(length, u),
        "not_fully_coloured": share,
        "decisions": [],
        "shape": {
            "length_to_diameter": from_normal((length or diameter) / diameter, 0.02).document(),
            "asymmetry": from_normal(0.04, 0.01).document(),
            "bend": from_normal(0.02, 0.01).document(),
            "taper": None,
        },
        **more,
    }


def plate(*peppers: dict[str, Any]) -> dict[str, Any]:
    return {
        "schema": 1,
        "status": "ok",
        "messages": [],
        "photo": {
            "name": "plate.jpg",
            "width_px": 2000,
            "height_px": 800,
            "sha256": "0" * 64,
            "focal_source": "exif",
        },
        "made_by": {"tool": "truelobe"},
        "peppers": list(peppers),
    }


def looked_at(*numbers: int) -> HandFacts:
    return HandFacts().nothing_found(numbers, AT)
