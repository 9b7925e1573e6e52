"""Which way a pepper lies: the pose whose fitted body explains the outline and the stem's place best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from truelobe.camera import View
from truelobe.fruit.axis import StemCue, principal_axes, stem_cue
from truelobe.fruit.body import BodyFit, fit_body, starts
from truelobe.fruit.priors import priors_for
from truelobe.fruit.silhouette import Silhouette

# Cost (half a chi-square) by which a second pose must be worse to be set aside: odds of about twenty to one.
SURE = 3.0
# Below this ratio of longer to shorter extent an outline's form no longer tells the axis.
ROUND = 1.15


@dataclass(frozen=True)
class Stance:
    """The body chosen, and the one it might also be.

    Attributes
    ----------
    fit : BodyFit
    other : BodyFit or None
        The second reading where the axis is unsure.
    unsure : bool
    """

    fit: BodyFit
    other: BodyFit | None
    unsure: bool


def find_stance(
    silhouette: Silhouette, view: View, floor_mm: float, cue: StemCue | None = None, *, given: bool = False
) -> Stance:
    """Fit a body in every pose worth trying and choose.

    Parameters
    ----------
    silhouette : Silhouette
    view : View
    floor_mm : float
        Height of the plate's floor above the card's plane.
    cue : StemCue, optional
        A stem end marked by a person; else the masks are asked.
    given : bool
        True when a person marked the stem end.
    """
    cue = cue or stem_cue(silhouette)
    fits = []
    for start in starts(silhouette, view, floor_mm, cue):
        priors = priors_for(start.pose, cue=cue is not None)
        fits.append(fit_body(silhouette, view, floor_mm, start, priors, cue))
    if cue is not None:
        fits.sort(key=lambda fit: fit.cost)
    others = [fit for fit in fits[1:] if fit.cost - fits[0].cost < SURE]
    round_one = cue is None and principal_axes(silhouette)[1] < ROUND
    unsure = not given and (round_one or (cue is not None and bool(others)))
    return Stance(fits[0], others[0] if unsure and others else None, unsure)


def tilt_to_camera_deg(fit: BodyFit) -> float:
    """Return the angle between the axis and the plane that faces the camera, degrees; 0 is broadside on."""
    seen = fit.seen()
    sight = seen.centre[0] / np.linalg.norm(seen.centre[0])
    return float(np.degrees(np.arcsin(np.clip(abs(seen.axis[0] @ sight), 0.0, 1.0))))
