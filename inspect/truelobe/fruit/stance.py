"""How a form stands in the world: axis, depth and contact, and what the camera then sees of it.

The form rests on the plate: its lowest point touches the plate's floor, so the diameter sets the height of the
centre and with it the distance, in one equation instead of an iteration.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from truelobe.camera import View
from truelobe.fruit.axis import Pose
from truelobe.fruit.shape import INDEX, Grid, skin

Floats = NDArray[np.float64]

# The calyx sits in a hollow between the shoulders, this share of the length below their tops.
CALYX_SINK = 0.08


@dataclass(frozen=True)
class Start:
    """The starting place and directions that the first four parameters are steps from.

    Attributes
    ----------
    centre : float64, shape (2,)
        Ideal image coordinates (x/z, y/z).
    axis, sideways, lifted : float64, shape (3,)
        Unit vectors in the camera frame: the axis towards the stem end, and the directions of `turn` and `lift`.
    width_mm, distance_mm : float
        First guesses, which set the units of `across` and `along` and of residuals.
    pose : Pose
    against : float
        What speaks against this pose before the body is fitted, as a difference of log likelihoods.
    u_turn : float or None
        Standard uncertainty of the axis in the picture, radians, where no stem shows.
    toward : float64, shape (3,), or None
        Where the pepper network reads the axis to point, a unit vector in the camera frame.
    u_toward : float
        Its standard uncertainty, radians.
    """

    centre: Floats
    axis: Floats
    sideways: Floats
    lifted: Floats
    width_mm: float
    distance_mm: float
    pose: Pose
    against: float = 0.0
    u_turn: float | None = None
    toward: Floats | None = None
    u_toward: float = 1.0


@dataclass(frozen=True)
class Seen:
    """What the camera sees of `m` forms.

    Attributes
    ----------
    points : float64, shape (m, along, around, 3)
        Skin in the camera frame, mm.
    ideal : float64, shape (m, along * around, 2)
        The same in ideal image coordinates.
    calyx : float64, shape (m, 2)
        Middle of the calyx in ideal image coordinates.
    axis, right, centre : float64, shape (m, 3)
    """

    points: Floats
    ideal: Floats
    calyx: Floats
    axis: Floats
    right: Floats
    centre: Floats


def _unit(vectors: Floats) -> Floats:
    unit: Floats = vectors / np.sqrt(np.add.reduce(vectors * vectors, axis=-1, keepdims=True))
    return unit


def cross(one: Floats, other: Floats) -> Floats:
    """Return the vector product of vectors, shape (m, 3): `numpy.cross` takes ten times as long over a few."""
    (x, y, z), (u, v, w) = one.T, other.T
    return np.stack([y * w - z * v, z * u - x * w, x * v - y * u], axis=-1)


def place(theta: Floats, start: Start, view: View, floor_mm: float, grid: Grid) -> Seen:
    """Put forms on the plate under a camera.

    Parameters
    ----------
    theta : float64, shape (m, 13)
    start : Start
    view : View
    floor_mm : float
        Height of the plate's floor above the card's plane.
    grid : Grid
    """
    axis = _unit(
        start.axis + theta[:, INDEX["turn"], None] * start.sideways + theta[:, INDEX["lift"], None] * start.lifted
    )
    step = start.width_mm / start.distance_mm
    flat_axis = _unit(axis[:, :2] - axis[:, 2:] * start.centre + 1e-9)
    flat_right = np.column_stack([-flat_axis[:, 1], flat_axis[:, 0]])
    centre2 = start.centre + step * (
        theta[:, INDEX["across"], None] * flat_right + theta[:, INDEX["along"], None] * flat_axis
    )
    rays = np.column_stack([centre2, np.ones(len(centre2))])
    right = _unit(_sideways(axis, rays, start))
    towards = cross(right, axis)
    frame = np.stack([right, axis, towards], axis=1)
    offsets = skin(theta, grid) @ frame[:, None]
    sunk = np.max(-(offsets @ view.up), axis=(1, 2))
    depth = (view.translation @ view.up + floor_mm + sunk) / (rays @ view.up)
    centre = rays * depth[:, None]
    points = offsets + centre[:, None, None, :]
    half = 0.5 * np.exp(theta[:, INDEX["width"]] + theta[:, INDEX["slender"]]) * (1 - CALYX_SINK)
    calyx = centre + axis * half[:, None]
    flat = points.reshape(len(theta), -1, 3)
    return Seen(points, flat[..., :2] / flat[..., 2:], calyx[:, :2] / calyx[:, 2:], axis, right, centre)


def _sideways(axis: Floats, rays: Floats, start: Start) -> Floats:
    """The direction of the width: at right angles to axis and line of sight; for a standing form, a fixed one."""
    if start.pose == "lying":
        return cross(axis, -rays)
    fixed = np.broadcast_to(start.sideways, axis.shape)
    level: Floats = fixed - np.sum(fixed * axis, axis=1, keepdims=True) * axis
    return level
