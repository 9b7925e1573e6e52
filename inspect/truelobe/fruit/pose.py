"""Which way a pepper lies: the pose whose fitted body explains the outline and the stem's place best."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from truelobe.camera import View
from truelobe.fruit.axis import StemCue, stem_cue
from truelobe.fruit.bearing import Bearing
from truelobe.fruit.body import (
    APART_DEG,
    SEEN_RIGHT,
    BodyFit,
    drawn_toward,
    fit_body,
    read_starts,
    starts,
)
from truelobe.fruit.priors import Priors, priors_for
from truelobe.fruit.silhouette import Silhouette
from truelobe.fruit.stance import Start

Floats = NDArray[np.float64]

# By how much a second pose must be less likely to be set aside, as a difference of logarithms: twenty to one.
SURE = 3.0
# How well the form fits tells less of the pose than a chi-square would: misfits of lobes are alike all round.
FIT_COUNTS = 0.4
# A pose this much less likely than the likeliest, before any body is fitted, is not fitted.
WORTH_A_FIT = 8.0


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
    bearing : Bearing or None
        What the pepper network reads of this pepper, where it was asked.
    """

    fit: BodyFit
    other: BodyFit | None = None
    weight: float = 1.0
    bearing: Bearing | None = None

    @property
    def unsure(self) -> bool:
        """Whether there is a second reading to ask about."""
        return self.other is not None


def find_stance(
    silhouette: Silhouette,
    view: View,
    floor_mm: float,
    cue: StemCue | None = None,
    *,
    given: bool = False,
    bearing: Bearing | None = None,
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
    bearing : Bearing, optional
        What the pepper network reads; it can be missing where a stem end is seen.

    Raises
    ------
    ValueError
        With neither a stem end nor a reading.
    """
    cue = cue or stem_cue(silhouette)
    ranked = sorted(_fits(silhouette, view, floor_mm, cue, given, bearing), key=lambda pair: pair[0])
    (cost, best), *others = ranked
    near = [(other_cost, fit) for other_cost, fit in others if other_cost - cost < SURE]
    if given or not near:
        return Stance(best, bearing=bearing)
    return Stance(best, near[0][1], float(1 / (1 + np.exp(cost - near[0][0]))), bearing)


def _fits(
    silhouette: Silhouette, view: View, floor_mm: float, cue: StemCue | None, given: bool, bearing: Bearing | None
) -> list[tuple[float, BodyFit]]:
    """Fit the poses that a stem end seen and the pepper network speak for, each with how unlikely it is."""
    seen = [] if cue is None else starts(silhouette, view, floor_mm, cue)
    poses: list[tuple[Start, StemCue | None]] = [(drawn_toward(start, view, bearing), cue) for start in seen]
    if bearing is not None and not given:
        read = read_starts(silhouette, view, floor_mm, bearing)
        if seen:
            # The stem end may be a neighbor's: then it says nothing of this pepper.
            read = [replace(one, against=SEEN_RIGHT) for one in read if all(_apart(one, two) for two in seen)]
        poses += [(start, None) for start in read]
    if not poses:
        raise ValueError("a pepper's pose needs a stem end or what the network reads")

    def unlikely(start: Start, axis: Floats) -> float:
        return start.against - (0.0 if bearing is None else bearing.log_likelihood(axis, view))

    costs = [unlikely(start, start.axis) for start, _ in poses]
    likely = [pose for pose, cost in zip(poses, costs, strict=True) if cost < min(costs) + WORTH_A_FIT]
    fits = [fit_body(silhouette, view, floor_mm, start, _priors(start), own) for start, own in likely]
    return [(FIT_COUNTS * fit.cost + unlikely(fit.start, fit.seen().axis[0]), fit) for fit in fits]


def _priors(start: Start) -> Priors:
    """The priors of a pose, the axis in the picture as sure as its source is."""
    priors = priors_for(start.pose)
    return priors if start.u_turn is None else priors.looser("turn", start.u_turn)


def _apart(one: Start, two: Start) -> bool:
    """Whether two poses point far apart."""
    return bool(one.axis @ two.axis < np.cos(np.radians(APART_DEG)))
