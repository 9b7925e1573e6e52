"""Which way a pepper lies: the pose whose fitted body explains the outline and the stem's place best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from truelobe.camera import View
from truelobe.fruit.axis import StemCue, stem_cue
from truelobe.fruit.body import BodyFit, fit_body, starts
from truelobe.fruit.priors import priors_for
from truelobe.fruit.silhouette import Silhouette

# Cost (half a chi-square) by which a second pose must be worse to be set aside: odds of about twenty to one.
SURE = 3.0


@dataclass(frozen=True)
class Stance:
    """The body chosen, and the one it might also be.

    Attributes
    ----------
    fit : BodyFit
    other : BodyFit or None
        The second reading where the axis is unsure.
    weight : float
        Probability of the first reading against the second, from their costs.
    """

    fit: BodyFit
    other: BodyFit | None = None
    weight: float = 1.0

    @property
    def unsure(self) -> bool:
        """Whether there is a second reading to ask about."""
        return self.other is not None


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
        True when a person marked the stem end: then nothing is left to ask.
    """
    cue = cue or stem_cue(silhouette)
    ranked = sorted(_fits(silhouette, view, floor_mm, cue), key=lambda pair: pair[0])
    (cost, best), *others = ranked
    near = [(other_cost, fit) for other_cost, fit in others if other_cost - cost < SURE]
    if given or not near:
        return Stance(best)
    return Stance(best, near[0][1], float(1 / (1 + np.exp(cost - near[0][0]))))


def _fits(silhouette: Silhouette, view: View, floor_mm: float, cue: StemCue | None) -> list[tuple[float, BodyFit]]:
    """Fit every pose worth trying; its cost holds how unlikely the pose is by itself."""
    fits = []
    for start in starts(silhouette, view, floor_mm, cue):
        priors = priors_for(start.pose, start.u_turn)
        fit = fit_body(silhouette, view, floor_mm, start, priors, cue)
        fits.append((fit.cost + start.against, fit))
    return fits


def tilt_to_camera_deg(fit: BodyFit) -> float:
    """Return the angle between the axis and the plane that faces the camera, degrees; 0 is broadside on."""
    seen = fit.seen()
    sight = seen.centre[0] / np.linalg.norm(seen.centre[0])
    return float(np.degrees(np.arcsin(np.clip(abs(seen.axis[0] @ sight), 0.0, 1.0))))
