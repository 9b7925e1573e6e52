"""How even, bent and tapered the side of a pepper is that one photo shows, about the axis of its fitted body.

The outline itself is read, not the body's own parameters: those are pulled towards what most peppers are like. It
is laid on the plane through the body's middle that faces the camera, and the length that a lifted axis hides is
given back. The two edges move in proportion to what disturbs them (axis, outline), so each source of the budget is
drawn from one slope of the edges; the figures follow from the edges drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from truelobe.figures import Contribution, Figure, from_draws, mixture
from truelobe.fruit.body import BodyFit
from truelobe.fruit.measure import U_EDGE_MM
from truelobe.fruit.pose import Stance
from truelobe.fruit.shape import INDEX

Floats = NDArray[np.float64]

N_DRAWS = 256
_STATIONS = 96
_POINTS = 1440
# An outline errs in stretches, not point by point: its error along one side is a sum of so many slow waves.
_WAVES = 5
# Ends are round and their middle is uncertain: the bend is looked for between these shares of the length.
_INNER = slice(int(0.15 * _STATIONS), int(0.85 * _STATIONS) + 1)
_AT = (np.arange(_STATIONS) + 0.5) / _STATIONS
# The square term of the parabola that fits the inner stations best is one weighted sum of their values.
_BOW = np.linalg.pinv(np.polynomial.polynomial.polyvander(_AT[_INNER], 2))[2]
# What a found outline misses on the width (1.2 mm on the development plates) comes from both sides, each alone.
U_SIDE_MM = float(np.hypot(U_EDGE_MM, 1.2 / np.sqrt(2)))
# What a view that is not square to the axis adds to asymmetry, bend and taper, beyond axis and outline: root mean
# squares left on 47 peppers of 14 development plates against their meshes looked at square, swapped ends apart.
U_VIEW = (0.03, 0.04, 0.10)


@dataclass(frozen=True)
class Form:
    """Shape of the side seen.

    Attributes
    ----------
    asymmetry : Figure
        Share of the outline's area that its mirror image about the axis does not cover, 0 for an even shape.
    bend : Figure
        How far the middle line strays from a straight one, over the length.
    taper : Figure
        Width a quarter of the way from the blossom end over width a quarter of the way from the stem end.
    """

    asymmetry: Figure
    bend: Figure
    taper: Figure


def measure_form(stance: Stance) -> Form | None:
    """Return the form of a lying pepper, both readings joined where its axis is unsure; None in other poses."""
    first = _of_fit(stance.fit)
    other = None if stance.other is None else _of_fit(stance.other)
    return first if first is None or other is None else _joined(first, other, stance.weight, "axis unsure")


def _joined(one: Form, two: Form, weight: float, source: str) -> Form:
    pairs = zip(one.__dict__.values(), two.__dict__.values(), strict=True)
    return Form(*(mixture(first, second, weight, source) for first, second in pairs))


def _of_fit(fit: BodyFit) -> Form | None:
    """Read the form about one axis; where no stem shows, either end may be the stem's."""
    form = _read(fit, 1.0)
    turned = _read(fit, -1.0) if fit.cue is None else None
    return form if form is None or turned is None else _joined(form, turned, 0.5, "stem end unseen")


def _read(fit: BodyFit, way: float) -> Form | None:
    if fit.start.pose != "lying":
        return None
    seen = fit.seen()
    centre, axis, right = seen.centre[0], seen.axis[0], seen.right[0]
    distance = float(np.linalg.norm(centre))
    sight = centre / distance
    ideal = fit.view.ideal(fit.silhouette.outline_px[0][fit.evidence.solid])
    rays = np.column_stack([ideal, np.ones(len(ideal))])
    facing = rays / (rays @ sight)[:, None] * distance - centre
    lifted = float(axis @ sight)
    level = np.sqrt(max(1 - lifted**2, 0.25))
    along = (facing @ (axis - lifted * sight)) / level**2
    u = np.sqrt(np.diag(fit.inverse))
    return read_form(
        np.column_stack([facing @ right, way * along]),
        u_turn=float(u[INDEX["turn"]]),
        u_stretch=float(u[INDEX["lift"]] * abs(lifted) / level),
        u_side_mm=U_SIDE_MM,
        u_view=U_VIEW,
    )


def read_form(
    points: Floats,
    *,
    u_turn: float = 0.0,
    u_stretch: float = 0.0,
    u_side_mm: float = 0.0,
    u_view: tuple[float, float, float] = (0.0, 0.0, 0.0),
    seed: int = 20051117,
) -> Form | None:
    """Read the form of an outline; None where it has no width or length.

    Parameters
    ----------
    points : float64, shape (K, 2)
        Closed outline, mm: across the axis, and along it with the stem end up.
    u_turn : float
        Standard uncertainty of the axis in the picture, radians.
    u_stretch : float
        Relative standard uncertainty of the length, from how the axis is lifted.
    u_side_mm : float
        Standard uncertainty of each side of the outline.
    u_view : (float, float, float)
        Standard uncertainty of each figure for a view that is not square.
    """
    dense = _dense(points)
    if not (np.ptp(dense, axis=0) > 1e-6).all():
        return None
    edges = _edges(dense, 0.0)
    value = _figures(edges[None])[:, 0]
    draw = np.random.default_rng(seed)
    turned = (_edges(dense, u_turn) - _edges(dense, -u_turn)) / 2
    waves = np.cos(np.pi * np.arange(_WAVES)[:, None] * _AT) * np.sqrt(2 / _WAVES)
    sides = u_side_mm / float(np.ptp(dense[:, 1])) * (draw.standard_normal((N_DRAWS, 2, _WAVES)) @ waves)
    moved = {
        "axis": draw.standard_normal((N_DRAWS, 1, 1)) * turned
        - draw.normal(0, u_stretch, (N_DRAWS, 1, 1)) * edges,
        "outline": sides,
    }
    alone = {source: _figures(edges + shift) for source, shift in moved.items()}
    together = _figures(edges + sum(moved.values()))
    figures = []
    for k in range(3):
        budget = [Contribution(source, float(drawn[k].std()), "pepper") for source, drawn in alone.items()]
        budget.append(Contribution("view", u_view[k], "pepper"))
        drawn = np.maximum(together[k] + u_view[k] * draw.standard_normal(N_DRAWS), 0.0)
        figures.append(from_draws(drawn, budget, float(value[k])))
    return Form(*figures)


def _dense(polygon: Floats) -> Floats:
    closed = np.vstack([polygon, polygon[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], _POINTS, endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in (0, 1)])


def _edges(points: Floats, turn: float) -> Floats:
    """Left and right edge at stations from stem to blossom end, over the length, shape (2, stations)."""
    across = points @ np.array([np.cos(turn), np.sin(turn)])
    along = points @ np.array([np.sin(turn), -np.cos(turn)])
    length = float(np.ptp(along))
    station = np.minimum(((along - along.min()) / length * _STATIONS).astype(int), _STATIONS - 1)
    left, right = np.full(_STATIONS, np.inf), np.full(_STATIONS, -np.inf)
    np.minimum.at(left, station, across)
    np.maximum.at(right, station, across)
    filled = np.flatnonzero(np.isfinite(left))
    return np.stack([np.interp(np.arange(_STATIONS), filled, side[filled]) for side in (left, right)]) / length


def _figures(edges: Floats) -> Floats:
    """Asymmetry, bend and taper of `m` pairs of edges, shape (3, m)."""
    left, right = edges[:, 0], edges[:, 1]
    width, middle = np.maximum(right - left, 1e-9), (left + right) / 2
    # The axis of symmetry may lie anywhere across the fruit: take the place that suits it best.
    place = np.sum(middle * width, axis=1) / width.sum(axis=1)
    uncovered = np.abs(middle - place[:, None])
    asymmetry = 2 * np.minimum(uncovered, width / 2).sum(axis=1) / width.sum(axis=1)
    bow = middle[:, _INNER] @ _BOW
    quarter = _STATIONS // 4
    stem = width[:, quarter - 2 : quarter + 3].mean(axis=1)
    blossom = width[:, -quarter - 3 : -quarter + 2].mean(axis=1)
    return np.stack([asymmetry, np.abs(bow) / 4, blossom / stem])
