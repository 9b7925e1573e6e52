"""Shape as evidence beside the coach's word: how long for its width, how even, how bent, how tapered.

The figures stand in the measurement document and hold for the side seen. They only suggest where to look again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from truelobe.data import data_path
from truelobe.figures import Contribution, Figure, from_draws


@dataclass(frozen=True)
class ShapeEvidence:
    """Shape figures of one pepper; None where the outline does not show them.

    Attributes
    ----------
    length_to_diameter : Figure or None
        Measured length over measured diameter.
    asymmetry : Figure or None
        Share of the outline's area that its mirror image about the axis does not cover, 0 for an even shape.
    bend : Figure or None
        How far the middle line strays from a straight one, over the length.
    taper : Figure or None
        Width a quarter of the way from the blossom end over width a quarter of the way from the stem end.
    """

    length_to_diameter: Figure | None
    asymmetry: Figure | None
    bend: Figure | None
    taper: Figure | None

    def document(self) -> dict[str, Any]:
        """Return the figures as they stand in a pepper's ``shape``."""
        return {name: figure.document() if figure else None for name, figure in self.__dict__.items()}

    @classmethod
    def from_document(cls, written: Mapping[str, Any]) -> ShapeEvidence:
        """Read shape figures back."""
        names = ("length_to_diameter", "asymmetry", "bend", "taper")
        return cls(*(Figure.from_document(written[n]) if written.get(n) else None for n in names))


@cache
def suggestion_limits() -> dict[str, Any]:
    """Return from which figure on a place is suggested for a second look."""
    path = data_path("calibration", "standards", "shape-suggestions.json")
    limits: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return limits


def suggestions(evidence: ShapeEvidence) -> tuple[str, ...]:
    """Return what may be worth a second look. Never a word about the grade: the coach's word decides."""
    words = {
        ("length_to_diameter", "low"): "short for its width",
        ("length_to_diameter", "high"): "long for its width",
        ("asymmetry", "high"): "one side fuller than the other",
        ("bend", "high"): "bent",
        ("taper", "low"): "tapers to the blossom end",
    }
    limits, found = suggestion_limits(), []
    for (name, side), word in words.items():
        figure, limit = getattr(evidence, name), limits[name][side]
        if figure is None:
            continue
        below = figure.probability_below(limit)
        if (below if side == "low" else 1 - below) >= 0.8:
            found.append(word)
    return tuple(found)


def ratio(above: Figure, below: Figure, *, seed: int = 1) -> Figure:
    """Return one measured length over another.

    What both share (scale, focal length: everything not of this pepper alone) moves both alike and cancels to
    first order; only the rest widens the ratio. Without a budget everything is taken as the pepper's own.
    """

    def own(figure: Figure) -> float:
        squares = [line.effect**2 for line in figure.budget if line.shared_by == "pepper"]
        return float(np.sqrt(sum(squares))) if figure.budget else figure.standard_uncertainty

    random = np.random.default_rng(seed)
    tops = above.value + own(above) * random.standard_normal(4000)
    bottoms = np.maximum(below.value + own(below) * random.standard_normal(4000), 0.2 * below.value)
    value = above.value / below.value
    budget = (
        Contribution("the first length", own(above) / below.value, "pepper"),
        Contribution("the second length", -value * own(below) / below.value, "pepper"),
    )
    return from_draws(tops / bottoms, budget, value)


def shape_of(pepper: Mapping[str, Any]) -> ShapeEvidence:
    """Return the shape figures of one pepper of a measurement document; none where it holds none."""
    return ShapeEvidence.from_document(pepper.get("shape") or {})
