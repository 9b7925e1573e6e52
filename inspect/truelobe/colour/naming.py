"""Which color a pepper is, from its own most colored skin, and what its own ripe and unripe skin look like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from truelobe.colour.references import ColourReference, Reference, References
from truelobe.colour.ripeness import RipenessScale, skin_colour

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

GREEN: Final = "green"
BASIC: Final = ("red", "orange", "yellow")
"""Colors that a pepper is named by itself; others are named when their skin fits nothing else."""

LEAST_COLOURED: Final = 0.03
"""With less colored skin than this a pepper is called all green: light from neighbors alone reaches that."""

_FOREIGN_STRENGTH: Final = 0.5
_OWN_HUE_SD: Final = 2.5
_OWN_CHROMA_SD: Final = 5.0
_FURTHEST: Final = 2.5
_OWN_FROM: Final = 0.75
_LEAST_OWN_SHARE: Final = 0.03


@dataclass(frozen=True)
class OwnEnds:
    """The references as this pepper shows them.

    Attributes
    ----------
    scale : RipenessScale
    ripe_sd, unripe_sd : float64 (2,)
        What remains uncertain: chroma, hue in degrees.
    ripe_pixels, unripe_pixels : bool (N,)
        The pepper's own skin that each end was adapted to; all False where the reference stands as it is.
    """

    scale: RipenessScale
    ripe_sd: Float64
    unripe_sd: Float64
    ripe_pixels: Bool
    unripe_pixels: Bool


def name_colour(lab: Float32, weight: Float32, references: References) -> str:
    """Name a pepper's color from its skin.

    Parameters
    ----------
    lab : float32 (N, 3)
        Corrected CIELAB of sound skin.
    weight : float32 (N,)
        mm2 of skin per pixel.
    references : References

    Returns
    -------
    str
        "red", "orange", "yellow" by the skin that is furthest from green; "green" when all of it is green;
        "purple", "white", "brown" or "striped" when the skin fits none of these.
    """
    skin = skin_colour(lab)
    foreign = _foreign_name(lab, weight, references)
    if foreign is not None:
        return foreign
    border = _border_of_green(references)
    coloured = skin.angle < border
    total = float(weight.sum())
    if total <= 0 or float(weight[coloured].sum()) < LEAST_COLOURED * total:
        return GREEN
    ripest = weighted_quantile(skin.angle[coloured], weight[coloured], 0.15)
    distance = {}
    for name in BASIC:
        pair = references.of(name)
        if pair is not None:
            centre = float(skin_colour(np.array(pair.ripe.lab)).angle)
            distance[name] = abs(ripest - centre) / pair.ripe.spread[2]
    return min(distance, key=lambda name: distance[name]) if distance else GREEN


def _border_of_green(references: References) -> float:
    """Skin angle between green skin and the greenest turning skin of the known colors."""
    borders = []
    for name in BASIC:
        pair = references.of(name)
        if pair is not None:
            line = np.array(pair.unripe.lab) + 0.35 * (np.array(pair.ripe.lab) - np.array(pair.unripe.lab))
            borders.append(float(skin_colour(line).angle))
    return max(borders, default=100.0)


def _foreign_name(lab: Float32, weight: Float32, references: References) -> str | None:
    """Name skin that lies on no line from green to a known color: too weak in color, or a purple angle."""
    skin = skin_colour(lab)
    strengths = []
    for name in (*BASIC, GREEN):
        pair = references.of(name)
        if pair is not None:
            strengths.append(RipenessScale(np.array(pair.unripe.lab), np.array(pair.ripe.lab)).place(lab)[1])
    relative = np.min(strengths, axis=0) if strengths else np.ones(len(lab))
    purple_angle = (skin.angle < 20) | (skin.angle > 160)
    foreign = (relative < _FOREIGN_STRENGTH) | purple_angle
    total = float(weight.sum())
    share = float(weight[foreign].sum()) / total if total > 0 else 0.0
    if share < 0.25:
        return None
    if share < 0.6:
        return "striped"
    centre = np.array([weighted_quantile(lab[foreign, i], weight[foreign], 0.5) for i in range(3)])
    if float(weight[purple_angle].sum()) > 0.5 * share * total:
        return "purple"
    return "white" if centre[0] > 55 else "brown" if centre[1] > 0 else "purple"


def own_ends(lab: Float32, weight: Float32, pair: ColourReference) -> OwnEnds:
    """Adapt both references to the pepper's own most colored and greenest skin, where it clearly shows them.

    The pepper's skin and the reference are averaged by their uncertainties, and the skin may move the reference by
    no more than two and a half of its spreads.
    """
    ripe, unripe = np.array(pair.ripe.lab), np.array(pair.unripe.lab)
    enough = _LEAST_OWN_SHARE * float(weight.sum())
    ripe_sd = unripe_sd = np.zeros(2)
    top = bottom = np.zeros(len(lab), dtype=np.bool_)
    for _ in range(2):
        ripeness, strength = RipenessScale(unripe=unripe, ripe=ripe).place(lab)
        sound = strength > 0.6
        top = sound & (ripeness > _OWN_FROM)
        bottom = sound & (ripeness < 1 - _OWN_FROM)
        top &= float(weight[top].sum()) > enough
        bottom &= float(weight[bottom].sum()) > enough
        ripe, ripe_sd = _adapted(pair.ripe, lab[top], weight[top])
        unripe, unripe_sd = _adapted(pair.unripe, lab[bottom], weight[bottom])
    return OwnEnds(RipenessScale(unripe=unripe, ripe=ripe), ripe_sd, unripe_sd, top, bottom)


def redone(ends: OwnEnds, lab: Float32, weight: Float32, pair: ColourReference) -> RipenessScale:
    """Adapt again to the same skin seen in other colors."""
    ripe, _ = _adapted(pair.ripe, lab[ends.ripe_pixels], weight[ends.ripe_pixels])
    unripe, _ = _adapted(pair.unripe, lab[ends.unripe_pixels], weight[ends.unripe_pixels])
    return RipenessScale(unripe=unripe, ripe=ripe)


def _adapted(reference: Reference, lab: Float32, weight: Float32) -> tuple[Float64, Float64]:
    """Return the reference averaged with the pepper's own skin, and what stays uncertain of chroma and hue."""
    lightness, chroma, hue = polar(np.array(reference.lab))
    _, chroma_sd, hue_sd = reference.spread
    if len(lab) == 0:
        return np.array(reference.lab), np.array([chroma_sd, hue_sd])
    own_chroma, own_hue = own_polar(lab, weight, lightness)
    turn = np.clip((own_hue - hue + 180) % 360 - 180, -_FURTHEST * hue_sd, _FURTHEST * hue_sd)
    stretch = np.clip(own_chroma - chroma, -_FURTHEST * chroma_sd, _FURTHEST * chroma_sd)
    trust_hue = hue_sd**2 / (hue_sd**2 + _OWN_HUE_SD**2)
    trust_chroma = chroma_sd**2 / (chroma_sd**2 + _OWN_CHROMA_SD**2)
    new = from_polar(lightness, chroma + trust_chroma * stretch, hue + trust_hue * turn)
    left = np.array([chroma_sd * np.sqrt(1 - trust_chroma), hue_sd * np.sqrt(1 - trust_hue)])
    return new, left


def own_polar(lab: Float32, weight: Float32, lightness: float) -> tuple[float, float]:
    """Chroma at the given lightness, and hue angle in degrees, of skin with shading taken out.

    Gloss only weakens color, so the stronger half of the skin speaks.
    """
    per_light = np.hypot(lab[:, 1], lab[:, 2]) / np.maximum(lab[:, 0] + 16, 1)
    strong = per_light >= weighted_quantile(per_light, weight, 0.5)
    hue = np.arctan2(lab[strong, 2], lab[strong, 1])
    mean = np.angle(np.average(np.exp(1j * hue), weights=weight[strong]))
    chroma = weighted_quantile(per_light, weight, 0.7) * (lightness + 16)
    return float(chroma), float(np.degrees(mean)) % 360


def polar(lab: Float64) -> tuple[float, float, float]:
    """Return L*, C*, hue angle in degrees."""
    return float(lab[0]), float(np.hypot(lab[1], lab[2])), float(np.degrees(np.arctan2(lab[2], lab[1]))) % 360


def from_polar(lightness: float, chroma: float, hue: float) -> Float64:
    """Return CIELAB for L*, C*, hue angle in degrees."""
    return np.array([lightness, chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))])


def weighted_quantile(values: NDArray[np.floating], weight: NDArray[np.floating], level: float) -> float:
    """Return the value below which a share `level` of the weight lies."""
    order = np.argsort(values)
    total = np.cumsum(np.asarray(weight, dtype=np.float64)[order])
    if total[-1] <= 0:
        return float(np.quantile(values, level))
    return float(values[order][min(int(np.searchsorted(total, level * total[-1])), len(order) - 1)])
