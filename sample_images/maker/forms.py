"""Peppers to learn from: of the three families that may be learned from, and of forms between and beyond them.

What is learned from one generator's equations fails on another's; a smooth random bending of the whole mesh leaves
few equations to learn. The second family is not among them: it judges.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from . import fruit_first, fruit_fourth, fruit_third
from .fields import Field, between, chance, pick
from .model import BODY, FruitModel

FAMILIES = {"first": 0.35, "third": 0.27, "fourth": 0.38}
_MAKE = {"first": fruit_first.make_fruit, "third": fruit_third.make_fruit, "fourth": fruit_fourth.make_fruit}
BENT, LOST_STEMS = 0.5, 0.12
# Largest spread of the bending, over the greatest extent. With waves longer than half the extent neighbouring
# points never change places.
MOST_BENDING = 0.04


def any_form(rng: np.random.Generator, colour: str, **wishes: Any) -> FruitModel:
    """One invented pepper of any family, bent half the time; wishes as for `fruit_first.make_fruit`.

    More have lost their stem than in a kitchen: these are harder to read.
    """
    lost = {"stem": "missing"} if chance(rng, LOST_STEMS) else {}
    model = _MAKE[pick(rng, FAMILIES)](rng, colour, **{**wishes, **lost})
    return bent(rng, model) if chance(rng, BENT) else model


def bent(rng: np.random.Generator, model: FruitModel) -> FruitModel:
    """The same pepper with every point moved by a smooth random field."""
    body = model.vertices[np.unique(model.faces[model.face_part == BODY])]
    size = float(np.ptp(body, axis=0).max())
    spread = between(rng, 0.005, MOST_BENDING) * size
    fields = [Field(rng, between(rng, 0.5, 1.4) * size, octaves=1) for _ in range(3)]
    moved = model.vertices + spread * np.stack([field(model.vertices) for field in fields], axis=-1)
    return replace(model, vertices=moved, notes={**model.notes, "bent_mm": round(spread, 2)})
