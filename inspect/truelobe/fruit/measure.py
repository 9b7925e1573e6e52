"""Diameter and length of one pepper, each with its uncertainty budget, as the U.S. standard defines them.

Diameter is the greatest dimension at right angles to the axis from stem to blossom end; length is the greatest
overall extent parallel to it, stem left out, shoulders and lobes in (U.S. Standards for Grades of Sweet Peppers,
effective 17 November 2005, as explained in the Purdue grading guide, 2006).

The outline's own reach is what is measured. The fitted body says how a reach in the picture turns into
millimetres: its distance, the tangent effect, the foreshortening of its axis, and how much of an end is seen. What
the pepper network reads of the sizes, from shading and form, is weighed in by its own uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from truelobe.camera import Shifted, View
from truelobe.figures import Contribution, Figure, SharedBy, from_draws
from truelobe.fruit.axis import Pose
from truelobe.fruit.bearing import Bearing
from truelobe.fruit.body import N_DIRECTIONS, BodyFit, Evidence, gather, residuals
from truelobe.fruit.priors import Quantity, Shares, lobing, misfit, outline_error
from truelobe.fruit.shape import NAMES
from truelobe.fruit.stance import cross, place

Floats = NDArray[np.float64]

# Where an edge is read: a common bias of the refined outline, on each side of the fruit.
U_EDGE_PX, U_EDGE_MM = 0.3, 0.2
N_DRAWS = 512
# Along the axis the outline's reach is one or two points of an edge, the form's a sum over the whole outline: the
# length is taken midway between them (the power of their ratio). That errs less than the reach alone, with found
# outlines and with true ones; a form alone would err little less, and an odd pepper would have no say. Across the
# axis the outline's own reach errs least. Compared on development plates and on outline scenes of two families.
LENGTH_FOLLOWS = 0.5
# For a level axis and a tilted one, how alike sizes from the outline and sizes read by the networks err (the
# correlation of their errors, tests/benchmarks/readings.py), and how much less sure the reading is taken for
# than it says: as counted on plates of three families of forms in equal shares, the fourth by the network that
# has not learned it (off by 1.5), as neither has learned real peppers. A diameter hangs on lobes that the
# reading hardly sees, so it is spread as far as one more family would be off, like the form's own tables (1.16
# without). Lengths are misread farther where the axis is tilted: how pointed a foreshortened end is, the
# networks know from the families that they have learned.
TILTED_DEG = 26.0
ERR_ALIKE = {"diameter": (0.58, 0.64), "length": (0.43, 0.56)}
READ_WIDER = {"diameter": (1.33, 1.33), "length": (1.1, 1.25)}
QUANTITIES: tuple[Quantity, Quantity] = ("width", "length")


@dataclass(frozen=True)
class ViewErrors:
    """What is not sure of the photo as a whole: the camera as it could also be, and the plate's height in mm."""

    shifted: Shifted
    floor_mm: float
    u_floor_mm: float


@dataclass(frozen=True)
class Size:
    """What one photo says about one pepper's size.

    Attributes
    ----------
    diameter : Figure
        Greatest, as the standard defines it, mm.
    width_seen : Figure
        The width this view shows, mm.
    length : Figure or None
        None where the pose hides it.
    pose : Pose
    length_likely : Figure
        The length, or where the pose hides it what peppers of this width are like: for weighing a second reading
        against the first, never shown.
    """

    diameter: Figure
    width_seen: Figure
    length: Figure | None
    pose: Pose
    length_likely: Figure


def read_extents(theta: Floats, fit: BodyFit, view: View, floor_mm: float) -> Floats:
    """Return width seen and length, shape (m, 2), mm, for (m, 13) parameter vectors.

    The form's extents, each multiplied by how much farther the outline reaches in that direction of the picture
    than the form does; the length by the root of that.
    """
    evidence, start = fit.evidence, fit.start
    seen = place(theta, start, view, floor_mm, fit.grid)
    model = np.max(seen.ideal @ evidence.directions.T, axis=1)
    reach = np.where(evidence.hidden, np.maximum(evidence.reach, model), evidence.reach)
    spans = _spans(reach) / _spans(model)
    relative = seen.points.reshape(len(theta), -1, 3) - seen.centre[:, None]
    along = np.einsum("mpi,mi->mp", relative, seen.axis)
    length = np.ptp(along, axis=1)
    if start.pose == "lying":
        across = np.ptp(np.einsum("mpi,mi->mp", relative, seen.right), axis=1)
        right = _in_picture(seen.right, seen.centre)
        axis = _in_picture(seen.axis, seen.centre)
        width = across * _toward(spans, right)
        return np.column_stack([width, length * _toward(spans, axis) ** LENGTH_FOLLOWS])
    towards = cross(seen.right, seen.axis)
    angle = np.arange(N_DIRECTIONS // 2) * (2 * np.pi / N_DIRECTIONS)
    turned = seen.right[:, None] * np.cos(angle)[:, None] + towards[:, None] * np.sin(angle)[:, None]
    section = np.ptp(np.einsum("mpi,mki->mkp", relative, turned), axis=2)
    picture = _in_picture(turned, seen.centre[:, None])
    ratio = np.stack([_toward(spans, picture[:, k]) for k in range(len(angle))], axis=1)
    return np.column_stack([np.max(section * ratio, axis=1), length])


def _spans(reach: Floats) -> Floats:
    """Caliper width for each pair of opposite directions."""
    spans: Floats = reach + np.roll(reach, N_DIRECTIONS // 2, axis=-1)
    return spans


def _in_picture(direction: Floats, centre: Floats) -> Floats:
    flat: Floats = direction[..., :2] - direction[..., 2:] * centre[..., :2] / centre[..., 2:]
    return flat


def _toward(spans: Floats, direction: Floats) -> Floats:
    """Read the ratio of spans in a direction of the picture, between the two nearest sampled ones."""
    place_ = np.arctan2(direction[:, 1], direction[:, 0]) / (2 * np.pi) * N_DIRECTIONS
    low = np.floor(place_).astype(int)
    part = place_ - low
    row = np.arange(len(spans))
    read: Floats = spans[row, low % N_DIRECTIONS] * (1 - part) + spans[row, (low + 1) % N_DIRECTIONS] * part
    return read


def measure_size(
    fit: BodyFit, errors: ViewErrors, rng: np.random.Generator | None = None, bearing: Bearing | None = None
) -> Size:
    """Return a pepper's diameter, width seen and length with their budgets.

    Parameters
    ----------
    fit : BodyFit
    errors : ViewErrors
    rng : numpy.random.Generator, optional
        Seeded afresh by default, so that the same photo always gives the same figures.
    bearing : Bearing, optional
        What the pepper network reads; without it the outline alone tells the sizes.
    """
    lines = _effects(fit, errors)
    value = read_extents(fit.theta[None], fit, fit.view, fit.floor_mm)[0]
    draw = rng or np.random.default_rng(20051117)
    normal = draw.standard_normal((N_DRAWS, len(lines)))
    spread = np.array([[line.effect for line in column] for column in zip(*lines, strict=True)])
    looks = fit.silhouette.disagreement_px
    apart = None if looks is None else looks * fit.start.distance_mm / fit.view.lens.focal_px
    found = [_Counted("outline", outline_error(name, apart), value[k], draw) for k, name in enumerate(QUANTITIES)]
    pose, cue, tilt = fit.start.pose, fit.cue is not None, fit.tilt_deg
    shares = [misfit(name, pose, cue=cue, tilt_deg=tilt) for name in QUANTITIES]
    misread = [_Counted("lobes and ends", one, value[0], draw) for one in shares]
    read = [value[k] + normal @ spread[k] - found[k].draws for k in (0, 1)]
    width_seen, length = (
        from_draws(
            np.maximum(read[k] - misread[k].draws, 1.0),
            [*(pair[k] for pair in lines), found[k].line, misread[k].line],
            float(value[k]),
        )
        for k in (0, 1)
    )
    excess = _Counted("lobing", lobing(pose, squat=value[1] < value[0], cue=cue), value[0], draw)
    diameter = from_draws(
        np.maximum(read[0] + excess.draws, 1.0), [*(pair[0] for pair in lines), found[0].line, excess.line]
    )
    if bearing is not None:
        diameter = _weighed("diameter", diameter, read[0] + excess.draws, bearing.diameter_px, fit, draw)
        length = _weighed("length", length, read[1] - misread[1].draws, bearing.length_px, fit, draw)
    return Size(diameter, width_seen, length if pose == "lying" else None, pose, length)


def _weighed(
    name: Literal["diameter", "length"],
    fitted: Figure,
    draws: Floats,
    read_px: tuple[float, float],
    fit: BodyFit,
    draw: np.random.Generator,
) -> Figure:
    """Weigh a size fitted to the outline and one read by the network by their inverse variances.

    Both err alike in part, which the weights leave out and the interval holds.
    """
    known = np.log(np.maximum(draws, 1.0))
    tilted = fit.tilt_deg >= TILTED_DEG
    spread, u_read = float(known.std()), READ_WIDER[name][tilted] * read_px[1]
    share = spread**2 / (spread**2 + u_read**2)
    read = read_px[0] + np.log(float(fit.seen().centre[0, 2]) / fit.view.lens.focal_px)
    fresh = ndtri((draw.permutation(N_DRAWS) + 0.5) / N_DRAWS)
    alike = ndtri((known.argsort().argsort() + 0.5) / N_DRAWS)
    strayed = ERR_ALIKE[name][tilted] * alike + np.sqrt(1 - ERR_ALIKE[name][tilted] ** 2) * fresh
    both = np.exp((1 - share) * known + share * (read + u_read * strayed))
    lines = [replace(line, effect=(1 - share) * line.effect) for line in fitted.budget]
    added = np.sqrt(max(float(both.var()) - ((1 - share) * fitted.standard_uncertainty) ** 2, 0.0))
    value = float(np.exp((1 - share) * np.log(max(fitted.value, 1.0)) + share * read))
    return from_draws(both, [*lines, Contribution("size read from the picture", float(added), "pepper")], value)


class _Counted:
    """An error known by its counted quantiles: as many equally likely values, in mm, as there are draws."""

    def __init__(self, source: str, shares: Shares, extent_mm: float, draw: np.random.Generator) -> None:
        self.draws = shares.draws((draw.permutation(N_DRAWS) + 0.5) / N_DRAWS) * extent_mm
        self.line = Contribution(source, float(self.draws.std()), "pepper")


def _effects(fit: BodyFit, errors: ViewErrors) -> list[tuple[Contribution, Contribution]]:
    """One budget line per source: effects of one standard uncertainty on width seen and on length."""
    fit = replace(fit, grid=fit.coarse)
    slope = _slope(fit)
    answers = _answers(fit)
    lines = []
    for source, (shared_by, views) in errors.shifted.items():
        lines.append(_line(source, shared_by, _joint([answers(v, fit.floor_mm, 0.0) for v in views])))
    raised = fit.floor_mm + errors.u_floor_mm
    lines.append(_line("plate height", "photo", answers(fit.view, raised, 0.0)))
    px_mm = fit.start.distance_mm / fit.view.lens.focal_px
    grow = float(np.hypot(U_EDGE_PX * px_mm, U_EDGE_MM))
    lines.append(_line("edge", "photo", answers(fit.view, fit.floor_mm, grow)))
    # Rows of the fit, each disturbed by its own standard uncertainty, act independently.
    answer = -slope @ fit.inverse @ fit.jacobian.T
    axis = _axis_rows(fit)
    for source, rows in (("axis", axis), ("body form", ~axis)):
        lines.append(_line(source, "pepper", np.sqrt(np.sum(answer[:, rows] ** 2, axis=1))))
    return lines


def _line(source: str, shared_by: SharedBy, effect: Floats) -> tuple[Contribution, Contribution]:
    return (
        Contribution(source, float(effect[0]), shared_by),
        Contribution(source, float(effect[1]), shared_by),
    )


def _joint(effects: list[Floats]) -> Floats:
    """One signed effect for one step; the root sum of squares of several independent ones."""
    return effects[0] if len(effects) == 1 else np.sqrt(np.sum(np.square(effects), axis=0))


def _axis_rows(fit: BodyFit) -> NDArray[np.bool_]:
    """Which residual rows speak of the axis: the calyx's place and the priors of turn and lift."""
    rows = np.zeros(len(fit.jacobian), bool)
    rows[N_DIRECTIONS : len(rows) - len(NAMES)] = True
    for name in ("turn", "lift"):
        rows[len(rows) - len(NAMES) + NAMES.index(name)] = True
    return rows


def _slope(fit: BodyFit) -> Floats:
    """Derivative of width seen and length by the parameters, shape (2, 13)."""
    step = 1e-3
    around = np.concatenate([fit.theta + step * np.eye(len(NAMES)), fit.theta - step * np.eye(len(NAMES))])
    read = read_extents(around, fit, fit.view, fit.floor_mm)
    slope: Floats = ((read[: len(NAMES)] - read[len(NAMES) :]) / (2 * step)).T
    return slope


def _answers(fit: BodyFit) -> Callable[[View, float, float], Floats]:
    """Return how far width seen and length move once the fit has answered to another camera, floor or edge."""
    theta = fit.theta[None]
    before = residuals(theta, fit.start, fit.evidence, fit.priors, fit.view, fit.floor_mm, fit.grid)[0]
    base = read_extents(theta, fit, fit.view, fit.floor_mm)[0]

    def moved(view: View, floor_mm: float, grow_mm: float) -> Floats:
        evidence = _under(fit, view, grow_mm)
        after = residuals(theta, fit.start, evidence, fit.priors, view, floor_mm, fit.grid)[0]
        step = fit.theta + fit.shift(after - before)
        read: Floats = read_extents(step[None], replace(fit, evidence=evidence), view, floor_mm)[0] - base
        return read

    return moved


def _under(fit: BodyFit, view: View, grow_mm: float) -> Evidence:
    """The same outline read through another camera, or grown on all sides."""
    if view is fit.view:
        evidence = fit.evidence
    else:
        evidence = gather(fit.silhouette, view, fit.cue, fit.evidence.u_calyx_mm, fit.evidence.solid)
    return replace(
        evidence,
        reach=evidence.reach + grow_mm / fit.start.distance_mm,
        u_calyx_mm=fit.evidence.u_calyx_mm,
    )
