"""Measure a photo for the gallery: a sample plate, or a kept one again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from truelobe.card import PrintScale
from truelobe.card.prints import TOLD_ABOVE
from truelobe.inspection import inspect_plate
from truelobe.request import Correction, Request
from truelobe.setting import U_FLOOR_GIVEN_MM


def measure_photo(data: bytes, name: str, request: Request | None = None) -> dict[str, Any]:
    """Return the measurement document of a photo's file. Runs in a worker process where decoding is bounded."""
    return inspect_plate(data, request or Request(), name=name).document()


def as_asked_before(document: Mapping[str, Any] | None, today: Request) -> Request:
    """Return how to measure a kept photo again: today's tool and habits, with what was said of this photo then.

    Corrections by hand, the plate's color, where the card lies, a measured height of the plate's floor and a
    measured print stay as they were; prints, references, limits and the line are those of today.
    """
    made_by = (document or {}).get("made_by", {})
    settings, card = made_by.get("settings") or {}, made_by.get("card") or {}
    measured = settings.get("u_plate_height_mm") == U_FLOOR_GIVEN_MM
    bars = today.bars
    if card.get("scale_source") == "measured" and card.get("print_number") not in today.prints:
        across, down = card["scale"]
        bars = PrintScale(across, down, TOLD_ABOVE / 2, TOLD_ABOVE / 2, "measured")
    return replace(
        today,
        bars=bars,
        card_place=settings.get("card_place"),
        plate_height_mm=settings["plate_height_mm"] if measured else None,
        declared_colour=settings.get("declared_colour"),
        corrections=tuple(Correction.from_document(one) for one in made_by.get("corrections", ())),
    )
