"""A body fitted to an outline: the form that, resting on the plate under this camera, shows what the photo shows.

The outline enters through its support function (how far it reaches in each direction): that holds every greatest
extent, does not mind grooves between lobes, and stays usable where a neighbour hides a part. The fit is a least
squares (Levenberg-Marquardt, SciPy) with prior knowledge as extra rows. Near its minimum the fit is linear, so a
small error in any input moves the parameters by ``-(J'J)^-1 J' dr``: every line of the uncertainty budget is that
one formula with its own dr.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from truelobe.camera import View
from truelobe.fruit.axis import GLIMPSE, Pose, StemCue
from truelobe.fruit.bearing import Bearing
from truelobe.fruit.priors import Priors
from truelobe.fruit.shape import COARSE_ALONG, COARSE_ROUND, NAMES, Grid, make_grid
from truelobe.fruit.silhouette import Silhouette, filled
from truelobe.fruit.stance import Seen, Start, place

Floats = NDArray[np.float64]

N_DIRECTIONS = 40
# One direction's misfit: lobes and dents that the form does not have. Neighbouring directions err alike, so forty
# of them count as about sixteen readings.
U_FORM_MM = 1.0
READINGS = 16.0
SPUR, SPUR_PX = 0.08, 160
# How much likelier a stem end seen is this pepper's own than not, as a difference of log likelihoods: all but 3 of
# 127 were.
SEEN_RIGHT = 3.7
# How well two taps set an axis, radians: 4 mm at each end of an 80 mm pepper.
U_MARKED_AXIS = 0.07
# A direction read by the pepper network is a pose of its own from this probability on, and this far from others;
# it stands on its end beyond UPRIGHT_DEG; and another pose heeds it where it is NEAR_DEG or nearer.
LEAST_CHANCE, APART_DEG, UPRIGHT_DEG, NEAR_DEG, LEAST_TURN = 0.03, 30.0, 50.0, 60.0, 0.3


@dataclass(frozen=True)
class Evidence:
    """What the photo says about one pepper, in ideal image coordinates.

    Attributes
    ----------
    directions : float64, shape (k, 2)
        Unit vectors in the picture.
    reach : float64, shape (k,)
        Support function of the outline.
    hidden : bool, shape (k,)
        Where the farthest vertex borders something nearer: the pepper reaches at least that far.
    calyx : float64, shape (2,), or None
    u_calyx_mm : float
    solid : bool, shape (K,)
        Which vertices of the main outline count.
    """

    directions: Floats
    reach: Floats
    hidden: NDArray[np.bool_]
    calyx: Floats | None
    u_calyx_mm: float
    solid: NDArray[np.bool_]


@dataclass(frozen=True)
class BodyFit:
    """A fitted body and how it answers to its inputs.

    Attributes
    ----------
    theta : float64, shape (13,)
    inverse : float64, shape (13, 13)
        ``(J'J)^-1``, the covariance of the parameters.
    jacobian : float64, shape (n, 13)
        Of the residuals at the minimum.
    cost : float
        Half the sum of squared residuals.
    """

    theta: Floats
    inverse: Floats
    jacobian: Floats
    cost: float
    start: Start
    evidence: Evidence
    priors: Priors
    grid: Grid
    coarse: Grid
    view: View
    floor_mm: float
    cue: StemCue | None
    silhouette: Silhouette

    def seen(self, theta: Floats | None = None, grid: Grid | None = None) -> Seen:
        """Return the placed form, for one or several parameter vectors."""
        rows = np.atleast_2d(self.theta if theta is None else theta)
        return place(rows, self.start, self.view, self.floor_mm, grid or self.grid)

    @property
    def tilt_deg(self) -> float:
        """Angle between the axis and the plane that faces the camera, degrees; 0 is broadside on."""
        seen = self.seen()
        sight = seen.centre[0] / np.linalg.norm(seen.centre[0])
        return float(np.degrees(np.arcsin(np.clip(abs(seen.axis[0] @ sight), 0.0, 1.0))))

    def shift(self, change: Floats) -> Floats:
        """Return how the parameters move when the residuals change by `change`, shape (n,)."""
        moved: Floats = -self.inverse @ (self.jacobian.T @ change)
        return moved


def gather(
    silhouette: Silhouette,
    view: View,
    cue: StemCue | None,
    length_mm: float,
    solid: NDArray[np.bool_] | None = None,
) -> Evidence:
    """Turn an outline and a stem cue into ideal image coordinates.

    Parameters
    ----------
    silhouette : Silhouette
    view : View
    cue : StemCue or None
    length_mm : float
        A first guess, for the uncertainty of the calyx's place.
    solid : bool, shape (K,), optional
        The outline's solid vertices, where they are known already.
    """
    angle = np.arange(N_DIRECTIONS) * (2 * np.pi / N_DIRECTIONS)
    directions = np.column_stack([np.cos(angle), np.sin(angle)])
    solid = solid_vertices(silhouette) if solid is None else solid
    reach = directions @ view.ideal(silhouette.outline_px[0][solid]).T
    farthest = reach.argmax(axis=1)
    hidden = silhouette.occluded[0][solid][farthest] if silhouette.occluded else np.zeros(N_DIRECTIONS, bool)
    calyx = None if cue is None else view.ideal(cue.end_px[None])[0]
    u_calyx = 0.08 if cue is not None and cue.kind == "calyx" and cue.share > 2 * GLIMPSE else 0.16
    return Evidence(directions, reach.max(axis=1), np.asarray(hidden), calyx, u_calyx * length_mm, solid)


def solid_vertices(silhouette: Silhouette) -> NDArray[np.bool_]:
    """Say which outline vertices lie on the solid part of the body, not on a thin spur of it.

    A spur reaches farther than a disc's diameter out of what is left after an opening by that disc (Serra 1982);
    the tip of a pointed pepper, whose sides meet at 40 degrees or more, does not.
    """
    x0, y0, x1, y1 = silhouette.box
    shrink = min(1.0, SPUR_PX / max(x1 - x0, y1 - y0))
    outline = (silhouette.outline_px[0] - np.array([x0, y0])) * shrink
    whole = filled([outline], (0, 0, int((x1 - x0) * shrink) + 1, int((y1 - y0) * shrink) + 1)).astype(np.uint8)
    radius = max(round(SPUR * float(np.sqrt(whole.sum())) / 2), 1)
    whole = np.pad(whole, radius + 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    away = cv2.distanceTransform(1 - cv2.morphologyEx(whole, cv2.MORPH_OPEN, disc), cv2.DIST_L2, 5)
    place_px = np.round(outline + radius + 1).astype(int)
    columns = np.clip(place_px[:, 0], 0, away.shape[1] - 1)
    rows = np.clip(place_px[:, 1], 0, away.shape[0] - 1)
    solid: NDArray[np.bool_] = away[rows, columns] <= 2 * radius + 1
    return solid if solid.sum() >= 3 else np.ones(len(solid), bool)


def residuals(
    theta: Floats, start: Start, evidence: Evidence, priors: Priors, view: View, floor_mm: float, grid: Grid
) -> Floats:
    """Return the fit's residuals in units of their uncertainty, shape (m, n), for (m, 13) parameter vectors."""
    seen = place(theta, start, view, floor_mm, grid)
    model = np.max(seen.ideal @ evidence.directions.T, axis=1)
    miss = (model - evidence.reach) * start.distance_mm
    miss = np.where(evidence.hidden & (miss > 0), 0.0, miss)
    rows = [miss / (U_FORM_MM * np.sqrt(N_DIRECTIONS / READINGS))]
    if evidence.calyx is not None:
        rows.append((seen.calyx - evidence.calyx) * (start.distance_mm / evidence.u_calyx_mm))
    if start.toward is not None:
        rows.append((seen.axis - start.toward) / start.u_toward)
    rows.append((theta - np.array(priors.mean)) / np.array(priors.sd))
    return np.concatenate(rows, axis=1)


STEP = 1e-4


def fit_body(
    silhouette: Silhouette, view: View, floor_mm: float, start: Start, priors: Priors, cue: StemCue | None
) -> BodyFit:
    """Fit a body from one starting pose.

    Parameters
    ----------
    silhouette : Silhouette
    view : View
    floor_mm : float
        Height of the plate's floor above the card's plane.
    start : Start
    priors : Priors
    cue : StemCue or None
    """
    grid, coarse = make_grid(), make_grid(COARSE_ALONG, COARSE_ROUND)
    evidence = gather(silhouette, view, cue, start.width_mm * 1.1)

    first = np.array(priors.mean)
    first[NAMES.index("width")] = np.log(start.width_mm)

    def value(theta: Floats) -> Floats:
        rows: Floats = residuals(theta[None], start, evidence, priors, view, floor_mm, grid)[0]
        return rows

    def slope(theta: Floats) -> Floats:
        rows = residuals(
            np.concatenate([theta[None], theta + STEP * np.eye(len(theta))]),
            start,
            evidence,
            priors,
            view,
            floor_mm,
            coarse,
        )
        jac: Floats = ((rows[1:] - rows[0]) / STEP).T
        return jac

    fit = least_squares(value, first, jac=slope, method="lm", xtol=1e-3, ftol=1e-3, gtol=1e-3, max_nfev=15)
    jacobian = slope(fit.x)
    inverse = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64)
    return BodyFit(
        np.asarray(fit.x, np.float64),
        inverse,
        jacobian,
        float(fit.cost),
        start,
        evidence,
        priors,
        grid,
        coarse,
        view,
        floor_mm,
        cue,
        silhouette,
    )


def starts(silhouette: Silhouette, view: View, floor_mm: float, cue: StemCue) -> list[Start]:
    """Return the poses that a stem end seen speaks for, the likelier first."""
    middle_px = _hull_middle(silhouette)
    width, distance = _first_size(silhouette, view, floor_mm)
    centre = view.ideal(middle_px[None])[0]
    height = floor_mm + width / 2
    if cue.blossom_px is not None:
        marked = _lying(cue.blossom_px, cue.end_px, view, height, centre, width, distance)
        return [replace(marked, u_turn=U_MARKED_AXIS)]
    lying = _lying(middle_px, cue.end_px, view, height, centre, width, distance)
    ratio = _share_of_reach(silhouette, middle_px, cue.end_px)
    return [lying] if ratio > 0.8 else [lying, _upright(lying, view, "standing")]


def read_starts(silhouette: Silhouette, view: View, floor_mm: float, bearing: Bearing) -> list[Start]:
    """Return a pose for each direction the pepper network reads, likelier first; one for two opposite ones."""
    width, distance = _first_size(silhouette, view, floor_mm)
    centre = view.ideal(_hull_middle(silhouette)[None])[0]
    poses: list[Start] = []
    told: list[Floats] = []
    for axis, u, chance in sorted(bearing.axes(view), key=lambda one: -one[2]):
        if chance < LEAST_CHANCE or any(abs(float(axis @ one)) > np.cos(np.radians(APART_DEG)) for one in told):
            continue
        told.append(axis)
        rise = float(axis @ view.up)
        level = axis - rise * view.up
        level /= max(float(np.linalg.norm(level)), 1e-9)
        pose = Start(centre, level, np.cross(view.up, level), view.up, width, distance, "lying")
        if abs(rise) > np.sin(np.radians(UPRIGHT_DEG)):
            pose = _upright(pose, view, "standing" if rise > 0 else "upside down")
        else:
            pose = replace(pose, u_turn=max(u, LEAST_TURN))
        poses.append(replace(pose, toward=axis, u_toward=u))
    return poses


def drawn_toward(start: Start, view: View, bearing: Bearing | None) -> Start:
    """Return a pose that also heeds the nearest direction the pepper network reads, where one is near."""
    if bearing is None:
        return start
    axis, u, _ = max(bearing.axes(view), key=lambda one: float(one[0] @ start.axis))
    near = float(axis @ start.axis) > np.cos(np.radians(NEAR_DEG))
    return replace(start, toward=axis, u_toward=u) if near else start


def _hull_middle(silhouette: Silhouette) -> Floats:
    outline = silhouette.outline_px[0]
    middle: Floats = (outline.max(axis=0) + outline.min(axis=0)) / 2
    return middle


def _share_of_reach(silhouette: Silhouette, middle: Floats, end: Floats) -> float:
    toward = end - middle
    size = float(np.linalg.norm(toward))
    if size < 1e-6:
        return 0.0
    reach = float(((silhouette.outline_px[0] - middle) @ (toward / size)).max())
    return size / max(reach, 1e-6)


def _first_size(silhouette: Silhouette, view: View, floor_mm: float) -> tuple[float, float]:
    """First guess of width and distance: the outline read on the plane through the fruit's middle."""
    middle = _hull_middle(silhouette)
    width = 75.0
    distance = 400.0
    for _ in range(3):
        distance = float(view.on_plane(middle[None], floor_mm + width / 2)[0, 2])
        ideal = view.ideal(silhouette.outline_px[0])
        spread = np.linalg.svd(ideal - ideal.mean(axis=0), compute_uv=False) / np.sqrt(len(ideal))
        width = float(np.clip(2 * np.sqrt(2) * spread[1] * distance, 20.0, 200.0))
    return width, distance


def _lying(
    middle_px: Floats, end_px: Floats, view: View, height: float, centre: Floats, width: float, distance: float
) -> Start:
    a, b = view.on_plane(np.stack([middle_px, end_px]), height)
    axis = b - a
    axis -= (axis @ view.up) * view.up
    axis /= np.linalg.norm(axis)
    return Start(centre, axis, np.cross(view.up, axis), view.up, width, distance, "lying")


def _upright(lying: Start, view: View, pose: Pose) -> Start:
    sign = 1.0 if pose == "standing" else -1.0
    return replace(lying, axis=sign * view.up, sideways=lying.sideways, lifted=lying.axis, pose=pose)
