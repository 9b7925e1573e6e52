"""Measure a photo for the gallery: a sample plate, or a kept one again."""

from __future__ import annotations

from typing import Any

from truelobe.inspection import inspect_plate


def measure_photo(data: bytes, name: str) -> dict[str, Any]:
    """Return the measurement document of a photo's file. Runs in a worker process where decoding is bounded."""
    return inspect_plate(data, name=name).document()
