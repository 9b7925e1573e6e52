"""Prior knowledge of a sweet pepper's form, read from `calibration/bodies/priors.json`."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from truelobe.data import data_path
from truelobe.fruit.axis import Pose
from truelobe.fruit.shape import NAMES

Floats = NDArray[np.float64]
Quantity = Literal["width", "length"]


@dataclass(frozen=True)
class Priors:
    """Means and standard deviations of the form's parameters, in the order of `truelobe.fruit.shape.NAMES`."""

    mean: tuple[float, ...]
    sd: tuple[float, ...]

    def looser(self, name: str, sd: float) -> Priors:
        """Return the priors with another standard deviation for one parameter."""
        place = NAMES.index(name)
        return replace(self, sd=(*self.sd[:place], sd, *self.sd[place + 1 :]))


@dataclass(frozen=True)
class Shares:
    """What was counted of an error: its quantiles, as shares of the extent read."""

    levels: tuple[float, ...]
    shares: tuple[float, ...]

    def draws(self, uniform: Floats) -> Floats:
        """Return shares, shape (n,), for equally spread numbers between 0 and 1."""
        drawn: Floats = np.interp(uniform, self.levels, self.shares)
        return drawn


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(data_path("calibration", "bodies", "priors.json").read_text("utf-8"))
    return table


def priors_for(pose: Pose) -> Priors:
    """Return the priors for a pose."""
    rows = _table()["lying" if pose == "lying" else "standing"]
    return Priors(tuple(rows[n][0] for n in NAMES), tuple(rows[n][1] for n in NAMES))


def lobing(pose: Pose, *, squat: bool, cue: bool) -> Shares:
    """Return the excess of the greatest diameter over the width seen, the form's own misreading in it.

    Parameters
    ----------
    pose : Pose
    squat : bool
        Wider than long, as far as the photo shows it.
    cue : bool
        A stem end shows; without one the width may run along the axis.
    """
    row = _table()["lobing"]
    kind = "standing" if pose != "lying" else "no cue" if not cue else "squat" if squat else "long"
    return Shares(tuple(row["levels"]), tuple(row[kind]))


def misfit(quantity: Quantity, pose: Pose, *, cue: bool, tilt_deg: float) -> Shares:
    """Return how far a barrel misreads a real form's extent, as shares of its width.

    Parameters
    ----------
    quantity : {"width", "length"}
    pose : Pose
    cue : bool
        A stem end shows.
    tilt_deg : float
        How far the axis leaves the plane that faces the camera: the more, the less sure is a foreshortened length.
    """
    row = _table()["misfit"]
    kind = "standing" if pose != "lying" and quantity == "width" else "cue" if cue else "no cue"
    shares = row[quantity][kind]
    if quantity == "length":
        shares = shares[sum(tilt_deg >= bound for bound in row["tilt_deg"])]
    return Shares(tuple(row["levels"]), tuple(shares))


def outline_error(quantity: Quantity, apart_mm: float | None) -> Shares:
    """Return how far found outlines run outside the true ones, as shares of an extent.

    Parameters
    ----------
    quantity : Quantity
    apart_mm : float or None
        How far two looks at the pepper differ in its extents; None where there was one look.
    """
    row = _table()["outline"]
    if apart_mm is None:
        return Shares(tuple(row["levels"]), tuple(row[quantity]))
    alike, odd = row["apart_mm"]
    kind = "alike" if apart_mm < alike else "differing" if apart_mm < odd else "at odds"
    return Shares(tuple(row["levels"]), tuple(row["two looks"][quantity][kind]))
