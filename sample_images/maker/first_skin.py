"""The skin of the first fruit generator's peppers: how ripe it is where, and what blemishes it has.

It mixes an unripe and a ripe pigment as absorption over scattering (Kubelka & Munk 1931), so half-turned skin goes
through brownish and olive tones rather than straight from one color to the other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import colours
from .fields import Field, between, chance, pick
from .mesh import vertex_areas, vertex_normals
from .model import BLEACHED, BROWN_SPOT, SCAR

Floats = NDArray[np.floating[Any]]

UNRIPE = (58, 98, 34)
RIPE = {
    "red": (178, 22, 22),
    "orange": (224, 112, 20),
    "yellow": (238, 182, 34),
    "green": (46, 96, 34),
    "purple": (62, 28, 60),
    "white": (226, 216, 160),
    "brown": (88, 42, 28),
}
# A fully colored green pepper is deep green; its unripe reference is pale.
PALE = {"green": (152, 164, 74), "white": (156, 178, 92)}


def painted(
    rng: np.random.Generator,
    body: Floats,
    faces: NDArray[np.int32],
    colour: str,
    amount: float | None,
    wishes: dict[str, Any],
) -> tuple[Floats, Floats, NDArray[np.uint8], dict[str, Any]]:
    """Paint a body.

    Parameters
    ----------
    rng : numpy.random.Generator
    body : ndarray, shape (n, 3)
        Vertices, mm.
    faces : ndarray of int32, shape (m, 3)
    colour : str
    amount : float or None
        Share of the skin that is fully colored; drawn where None.
    wishes : dict
        As `make_fruit` takes them.

    Returns
    -------
    reflectance (n, 3), ripeness (n,), blemish codes (n,) and what to note of them.
    """
    unripe, ripe = (_own_colour(rng, PALE.get(colour, UNRIPE)), _own_colour(rng, RIPE[colour]))
    size = np.abs(body).max()
    normal = vertex_normals(body, faces)
    field, pattern = _pattern(rng, body / size, normal, wishes.get("pattern"))
    if amount is None:
        amount = (
            between(rng, 0.93, 1.0)
            if colour in ("green", "white")
            else float(
                rng.choice([1.0, 0.0, between(rng, 0.8, 1), between(rng, 0.03, 0.97)], p=[0.3, 0.04, 0.28, 0.38])
            )
        )
    softness = float(wishes.get("softness") or np.exp(between(rng, np.log(0.03), np.log(0.7))))
    share = _maturity(field, vertex_areas(body, faces), amount, softness, _halfway(unripe, ripe))
    skin = _mix(unripe, ripe, share)
    skin = skin * (1 + 0.05 * Field(rng, 0.5, octaves=3)(body / size))[:, None]
    skin, blemish = _blemishes(rng, skin, body, wishes.get("blemishes"))
    skin = np.clip(skin, 0.003, 0.93)
    return (
        skin,
        colours.along(skin, unripe, ripe),
        blemish,
        {
            "pattern": pattern,
            "amount": round(float(amount), 3),
            "softness": round(softness, 3),
            "ripe": [round(float(v), 5) for v in ripe],
            "unripe": [round(float(v), 5) for v in unripe],
        },
    )


def _mix(unripe: Floats, ripe: Floats, share: Floats) -> Floats:
    """Two pigments mixed as absorption over scattering: (1 - R)^2 / 2R adds up by share (Kubelka & Munk 1931)."""

    def ratio(reflectance: Floats) -> Floats:
        return (1 - reflectance) ** 2 / (2 * reflectance)

    k = ratio(unripe) * (1 - share[..., None]) + ratio(ripe) * share[..., None]
    return 1 + k - np.sqrt(k * k + 2 * k)


def _own_colour(rng: np.random.Generator, rgb: tuple[int, int, int]) -> Floats:
    shifted = colours.lab(colours.from_bytes(*rgb)) + rng.normal(size=3) * [2.5, 3.0, 3.5]
    return np.clip(colours.unlab(shifted), 0.004, 0.9)


def _pattern(rng: np.random.Generator, unit: Floats, normal: Floats, wish: str | None) -> tuple[Floats, str]:
    """A field that is high where color comes first, in units of about one body."""
    name = wish or pick(rng, {"shoulder": 0.34, "blossom": 0.12, "side": 0.26, "patchy": 0.28})
    if name == "shoulder":
        field = -unit[:, 2] * 1.0
    elif name == "blossom":
        field = unit[:, 2] * 1.0
    elif name == "side":
        direction = rng.normal(size=3)
        field = normal @ (direction / np.linalg.norm(direction))
    else:
        field = 0.45 * Field(rng, between(rng, 0.6, 1.6), octaves=2)(unit)
    rough = between(rng, 0.03, 0.22)
    streaks = unit * [1, 1, between(rng, 0.3, 1.0)]
    return field + rough * Field(rng, between(rng, 0.3, 1.0), octaves=3, fade=0.5)(streaks), name


def _halfway(unripe: Floats, ripe: Floats) -> float:
    """Pigment share at which the mixed color is equally far from both ends."""
    shares = np.linspace(0, 1, 801)
    way = colours.along(_mix(unripe, ripe, shares), unripe, ripe)
    return float(np.clip(shares[int(np.argmax(way >= 0.5))], 0.005, 0.995))


def _maturity(field: Floats, weight: Floats, amount: float, softness: float, halfway: float) -> Floats:
    """Pigment share such that about `amount` of the area lies beyond the halfway color."""
    if amount >= 0.999:
        return np.full(len(field), 1.0)
    if amount <= 0.001:
        return np.full(len(field), 0.0)
    order = np.argsort(field)
    level = np.interp(1 - amount, np.cumsum(weight[order]) / weight.sum(), field[order])
    logit = (field - level) / (0.5 * softness) * 2.0 + np.log(halfway / (1 - halfway))
    return 1 / (1 + np.exp(-np.clip(logit, -40, 40)))


def _blemishes(
    rng: np.random.Generator, skin: Floats, body: Floats, wish: bool | None
) -> tuple[Floats, NDArray[np.uint8]]:
    """Brown spots, corky scars and sun-bleached skin, on about a third of the fruit."""
    blemish = np.zeros(len(body), np.uint8)
    if not (chance(rng, 0.35) if wish is None else wish):
        return skin, blemish
    skin = skin.copy()
    kind = pick(rng, {"spots": 0.5, "scar": 0.3, "bleached": 0.2})
    ragged = Field(rng, 8.0, octaves=2)(body)
    for _ in range(int(rng.integers(1, 6)) if kind == "spots" else 1):
        spot = body[int(rng.integers(len(body)))]
        away = body - spot
        if kind == "scar":
            direction = rng.normal(size=3)
            direction /= np.linalg.norm(direction)
            lengthwise = away @ direction
            away = away - 0.85 * np.clip(lengthwise, -14, 14)[:, None] * direction
        reach = {"spots": between(rng, 1.5, 5), "scar": between(rng, 1.5, 3), "bleached": between(rng, 7, 15)}[
            kind
        ]
        inside = np.clip(
            (reach * (1 + 0.18 * ragged) - np.linalg.norm(away, axis=1)) / {"bleached": 3.0}.get(kind, 0.8), 0, 1
        )
        tint = colours.from_bytes(
            *{"spots": (84, 58, 34), "scar": (170, 140, 96), "bleached": (214, 200, 158)}[kind]
        )
        cover = inside[:, None] * {"spots": 0.9, "scar": 0.85, "bleached": 0.7}[kind]
        skin = skin * (1 - cover) + tint * cover
        blemish[inside > 0.4] = {"spots": BROWN_SPOT, "scar": SCAR, "bleached": BLEACHED}[kind]
    return skin, blemish
