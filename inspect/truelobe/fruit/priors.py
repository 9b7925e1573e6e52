"""Prior knowledge of a sweet pepper's form, read from `calibration/bodies/priors.json`."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from truelobe.data import data_path
from truelobe.fruit.axis import Pose
from truelobe.fruit.shape import NAMES

Floats = NDArray[np.float64]


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
class Lobing:
    """How far the greatest diameter exceeds the width seen from one side, as quantiles of a share of the width."""

    levels: tuple[float, ...]
    excess: tuple[float, ...]

    def draws(self, uniform: Floats) -> Floats:
        """Return excesses, shape (n,), for equally spread numbers between 0 and 1."""
        drawn: Floats = np.interp(uniform, self.levels, self.excess)
        return drawn


@cache
def _table() -> dict[str, Any]:
    table: dict[str, Any] = json.loads(data_path("calibration", "bodies", "priors.json").read_text("utf-8"))
    return table


def priors_for(pose: Pose, u_turn: float | None = None) -> Priors:
    """Return the priors for a pose; a guessed axis may turn by `u_turn` radians, and lift further."""
    rows = _table()["lying" if pose == "lying" else "standing"]
    priors = Priors(tuple(rows[n][0] for n in NAMES), tuple(rows[n][1] for n in NAMES))
    if u_turn is None or pose != "lying":
        return priors
    return priors.looser("turn", u_turn).looser("lift", _table()["lift_without_cue"])


def lobing() -> Lobing:
    """Return the excess of the greatest diameter over the width seen."""
    row = _table()["lobing"]
    return Lobing(tuple(row["levels"]), tuple(row["excess"]))
