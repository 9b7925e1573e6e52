"""Shape as evidence beside the coach's word: how long for its width, how even, how bent, how tapered.

All four come from the outline and the axis from stem to blossom end, so they hold for the side seen. Uncertainty
comes from the axis (how surely stem and blossom end are known) and from the outline's edge.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from truelobe.data import data_path
from truelobe.figures import Contribution, Figure, from_draws

_STATIONS = 96
_DRAWS = 64
Vector = NDArray[np.float64]


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


def _dense(polygon: Vector, points: int = 1440) -> Vector:
    closed = np.vstack([polygon, polygon[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], points, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])])


def _profile(points: Vector, direction: Vector) -> tuple[Vector, Vector]:
    """Return the left and right edge at stations from stem to blossom end, both over the length."""
    across = np.array([-direction[1], direction[0]])
    along, side = points @ direction, points @ across
    start, length = along.min(), np.ptp(along)
    station = np.minimum(((along - start) / length * _STATIONS).astype(int), _STATIONS - 1)
    left, right = np.full(_STATIONS, np.inf), np.full(_STATIONS, -np.inf)
    np.minimum.at(left, station, side)
    np.maximum.at(right, station, side)
    return left / length, right / length


def _figures(points: Vector, direction: Vector) -> tuple[float, float, float]:
    left, right = _profile(points, direction)
    width, middle = right - left, (left + right) / 2
    # The axis of symmetry may lie anywhere across the fruit: take the place that suits it best.
    axis = float(np.average(middle, weights=width))
    uncovered = np.abs(middle - axis)
    asymmetry = float(2 * np.minimum(uncovered, width / 2).sum() / width.sum())
    # The ends are round and their middle is uncertain: look between 15 and 85 percent of the length.
    inner = slice(int(0.15 * _STATIONS), int(0.85 * _STATIONS) + 1)
    at = ((np.arange(_STATIONS) + 0.5) / _STATIONS)[inner]
    bow = np.polynomial.Polynomial.fit(at, middle[inner], 2).convert().coef
    bend = abs(float(bow[2])) / 4 if len(bow) > 2 else 0.0
    quarter = _STATIONS // 4
    stem, blossom = width[quarter - 2 : quarter + 3].mean(), width[-quarter - 3 : -quarter + 2].mean()
    return asymmetry, bend, float(blossom / stem)


def shape_evidence(pepper: Mapping[str, Any], *, edge_px: float = 1.0, seed: int = 1) -> ShapeEvidence:
    """Measure the shape of one pepper of a measurement document.

    Parameters
    ----------
    pepper : mapping
        Of schema ``inspection-1``; its `outline_px` and `axis_px` are used.
    edge_px : float
        Standard uncertainty of the outline's edge, pixels.
    seed : int
        Of the Monte Carlo.
    """
    diameter, length, axis = pepper.get("diameter_mm"), pepper.get("length_mm"), pepper.get("axis_px")
    long = ratio(Figure.from_document(length), Figure.from_document(diameter)) if diameter and length else None
    outlines = pepper.get("outline_px") or []
    ends = (axis or {}).get("stem_end"), (axis or {}).get("blossom_end")
    if pepper.get("pose") != "lying" or axis is None or None in ends or not outlines:
        return ShapeEvidence(long, None, None, None)
    points = _dense(max((np.asarray(o, dtype=np.float64) for o in outlines), key=len))
    line = np.asarray(ends[1], dtype=np.float64) - np.asarray(ends[0], dtype=np.float64)
    if not np.linalg.norm(line) > 0:
        return ShapeEvidence(long, None, None, None)
    angle = float(np.arctan2(line[1], line[0]))
    u_angle = float(np.radians(axis.get("standard_uncertainty_deg", 3.0)))
    random = np.random.default_rng(seed)
    drawn = []
    for turn in random.normal(0.0, u_angle, _DRAWS):
        # An outline errs in stretches, not point by point: a few slow waves of the right size.
        phase = random.uniform(0, 2 * np.pi, (2, 4, 1))
        waves = np.sin(np.arange(3, 7)[:, None] * np.linspace(0, 2 * np.pi, len(points)) + phase).sum(axis=1)
        moved = points + edge_px / np.sqrt(2) * waves.T
        direction = np.array([np.cos(angle + turn), np.sin(angle + turn)])
        drawn.append(_figures(moved, direction))
    straight = _figures(points, np.array([np.cos(angle), np.sin(angle)]))
    columns = np.asarray(drawn).T
    asymmetry, bend, taper = (from_draws(c, value=v) for c, v in zip(columns, straight, strict=True))
    return ShapeEvidence(long, asymmetry, bend, taper)
