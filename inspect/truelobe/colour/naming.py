"""Which color a pepper is, from its own most colored skin, and what its own ripe and unripe skin look like."""

from __future__ import annotations

from collections.abc import Callable
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

_TURNING_ALL_OVER: Final = 0.5
_FOREIGN_PURITY: Final = 0.68
_PURPLE_ANGLES: Final = (20.0, 165.0)
_TELLS_LIGHTNESS: Final = 12.0
_TELLS_CHROMA: Final = 6.0
_OWN_HUE_SD: Final = 2.5
_OWN_CHROMA_SD: Final = 5.0
_FURTHEST: Final = 2.5
_OWN_FROM: Final = (0.7, 0.85)
_LEAST_PURITY: Final = 0.25
_LEAST_OWN_SHARE: Final = 0.03


def name_colour(lab: Float32, weight: Float32, references: References) -> str:
    """Name a pepper's color from its skin.

    Parameters
    ----------
    lab : float32 (N, 3)
        Corrected CIELAB of skin.
    weight : float32 (N,)
        mm2 of skin per pixel.
    references : References

    Returns
    -------
    str
        "red", "orange", "yellow" by the skin that is furthest from green; "green" when all of it is green;
        "purple", "white", "brown" or "striped" when the skin fits none of these.
    """
    angle = skin_colour(lab).angle
    total = max(float(weight.sum()), 1e-9)
    told = (lab[:, 0] > _TELLS_LIGHTNESS) & (np.hypot(lab[:, 1], lab[:, 2]) > _TELLS_CHROMA)
    purple = told & ((angle < _PURPLE_ANGLES[0]) | (angle > _PURPLE_ANGLES[1]))
    purple_share = float(weight[purple].sum()) / total
    if purple_share > 0.2:
        return "purple" if purple_share > 0.6 else "striped"
    name = _by_angle(angle, weight, references)
    pair = references.of(name)
    return name if pair is None else _if_strong_enough(name, lab, pair)


def _by_angle(angle: Float32, weight: Float32, references: References) -> str:
    total = float(weight.sum())
    coloured = angle < _border_of_green(references)
    share = float(weight[coloured].sum()) / max(total, 1e-9)
    if share < LEAST_COLOURED:
        return GREEN
    ripest = weighted_quantile(angle[coloured], weight[coloured], 0.15)
    distance = {}
    for name in BASIC:
        pair = references.of(name)
        if pair is not None:
            centre = float(skin_colour(np.array(pair.ripe.lab)).angle)
            distance[name] = abs(ripest - centre) / pair.ripe.spread[2]
    if not distance:
        return GREEN
    name = min(distance, key=lambda each: distance[each])
    clearly = float(weight[angle < _mostly(references, name)].sum())
    return name if clearly >= LEAST_COLOURED * total or share > _TURNING_ALL_OVER else GREEN


def _mostly(references: References, name: str) -> float:
    """Skin angle at which skin is more than half way to a color: pale green skin does not come that far."""
    pair = references.colours[name]
    line = np.array(pair.unripe.lab) + 0.6 * (np.array(pair.ripe.lab) - np.array(pair.unripe.lab))
    return float(skin_colour(line).angle)


def _border_of_green(references: References) -> float:
    """Skin angle between green skin and the greenest turning skin of the known colors."""
    borders = []
    for name in BASIC:
        pair = references.of(name)
        if pair is not None:
            line = np.array(pair.unripe.lab) + 0.35 * (np.array(pair.ripe.lab) - np.array(pair.unripe.lab))
            borders.append(float(skin_colour(line).angle))
    return max(borders, default=100.0)


def _if_strong_enough(name: str, lab: Float32, pair: ColourReference) -> str:
    """Tell white and brown skin, which is weak in color even where gloss is least."""
    purity = scale_of(pair).place(lab).purity
    least_gloss = purity >= np.quantile(purity, 0.8)
    if float(np.median(purity[least_gloss])) >= _FOREIGN_PURITY:
        return name
    return "white" if float(np.median(lab[:, 0])) > 50 else "brown"


@dataclass(frozen=True)
class OwnSkin:
    """Part of a pepper's skin that stands for one end of ripeness.

    Attributes
    ----------
    pixels : int64 (K,)
        Which of the pixels; empty where the pepper does not clearly show that end.
    chroma, hue : float
        What they showed: mean chroma per (L + 16), mean hue in degrees.
    """

    pixels: NDArray[np.int64]
    chroma: float = 0.0
    hue: float = 0.0


_NO_SKIN: Final = OwnSkin(np.empty(0, dtype=np.int64))


@dataclass(frozen=True)
class OwnEnds:
    """The references as this pepper shows them.

    Attributes
    ----------
    pair : ColourReference
        What they were adapted from.
    ripe, unripe : OwnSkin
    """

    pair: ColourReference
    ripe: OwnSkin
    unripe: OwnSkin

    @property
    def scale(self) -> RipenessScale:
        """The line between the adapted ends."""
        return RipenessScale(_adapted(self.pair.unripe, self.unripe)[0], _adapted(self.pair.ripe, self.ripe)[0])

    @property
    def ripe_sd(self) -> Float64:
        """What stays uncertain of the ripe end: chroma, hue in degrees."""
        return _adapted(self.pair.ripe, self.ripe)[1]

    @property
    def unripe_sd(self) -> Float64:
        """What stays uncertain of the unripe end."""
        return _adapted(self.pair.unripe, self.unripe)[1]


def scale_of(pair: ColourReference) -> RipenessScale:
    """Return the line between two references as they stand."""
    return RipenessScale(np.array(pair.unripe.lab), np.array(pair.ripe.lab))


def own_ends(lab: Float32, weight: Float32, pair: ColourReference, start: OwnEnds | None = None) -> OwnEnds:
    """Adapt both references to the pepper's own most colored and greenest skin, where it clearly shows them.

    The pepper's skin and the reference are averaged by their uncertainties, and the skin may move the reference by
    no more than two and a half of its spreads.

    Parameters
    ----------
    lab : float32 (N, 3)
        Corrected CIELAB of sound skin.
    weight : float32 (N,)
        mm2 of skin per pixel.
    pair : ColourReference
    start : OwnEnds, optional
        Ends of nearly the same skin, to save the first of two rounds.
    """
    ends = OwnEnds(pair, _NO_SKIN, _NO_SKIN) if start is None else start
    between = _hue_between(pair)
    ripe_from = np.clip(1 - 2 * pair.ripe.spread[2] / between, *_OWN_FROM)
    unripe_from = np.clip(1 - 2 * pair.unripe.spread[2] / between, *_OWN_FROM)
    for _ in range(2 if start is None else 1):
        placed = ends.scale.place(lab)
        read = placed.purity > _LEAST_PURITY
        ripe = _end_skin(lab, weight, read, placed.position, float(ripe_from), _densest_half)
        unripe = _end_skin(lab, weight, read, 1 - placed.position, float(unripe_from), _furthest_quarter)
        ends = OwnEnds(pair, ripe, unripe)
    return ends


def _end_skin(
    lab: Float32,
    weight: Float32,
    read: Bool,
    towards: Float32,
    start: float,
    choose: Callable[[Float32], Bool],
) -> OwnSkin:
    """Return the skin that stands for one end, if there is enough beyond `start`.

    Of the chosen part the half stronger in color, for gloss only weakens it.
    """
    pixels = np.flatnonzero(read & (towards > start))
    if pixels.size < 10 or float(weight[pixels].sum()) <= _LEAST_OWN_SHARE * float(weight.sum()):
        return _NO_SKIN
    pixels = pixels[choose(towards[pixels])]
    strength = _per_light(lab[pixels])
    return _look(lab, pixels[strength >= np.median(strength)])


def _densest_half(towards: Float32) -> Bool:
    """Fully colored skin is what most colored skin has come to: the shortest stretch that holds half of it."""
    ordered = np.sort(towards)
    half = (len(ordered) + 1) // 2
    first = int(np.argmin(ordered[half - 1 :] - ordered[: len(ordered) - half + 1]))
    return np.asarray((towards >= ordered[first]) & (towards <= ordered[first + half - 1]), dtype=np.bool_)


def _furthest_quarter(towards: Float32) -> Bool:
    """Green skin on a pepper that turns is mostly on its way already: the greenest quarter of it."""
    return np.asarray(towards >= np.quantile(towards, 0.75), dtype=np.bool_)


def _hue_between(pair: ColourReference) -> float:
    """Degrees of hue from the ripe to the unripe end."""
    ripe, unripe = polar(np.array(pair.ripe.lab))[2], polar(np.array(pair.unripe.lab))[2]
    return max(abs((unripe - ripe + 180) % 360 - 180), 1.0)


def _look(lab: Float32, pixels: NDArray[np.int64]) -> OwnSkin:
    if pixels.size == 0:
        return OwnSkin(pixels)
    skin = lab[pixels]
    unit = skin[:, 1:] / np.maximum(np.hypot(skin[:, 1], skin[:, 2]), 1e-6)[:, None]
    a, b = unit.mean(axis=0)
    return OwnSkin(pixels, float(_per_light(skin).mean()), float(np.degrees(np.arctan2(b, a))) % 360)


def _per_light(lab: Float32) -> Float32:
    return np.asarray(np.hypot(lab[:, 1], lab[:, 2]) / np.maximum(lab[:, 0] + 16, 1), dtype=np.float32)


def _adapted(reference: Reference, own: OwnSkin) -> tuple[Float64, Float64]:
    """Return the reference averaged with the pepper's own skin, and what stays uncertain of chroma and hue."""
    lightness, chroma, hue = polar(np.array(reference.lab))
    _, chroma_sd, hue_sd = reference.spread
    if own.pixels.size == 0:
        return np.array(reference.lab), np.array([chroma_sd, hue_sd])
    turn = np.clip((own.hue - hue + 180) % 360 - 180, -_FURTHEST * hue_sd, _FURTHEST * hue_sd)
    stretch = np.clip(own.chroma * (lightness + 16) - chroma, -_FURTHEST * chroma_sd, _FURTHEST * chroma_sd)
    trust_hue = hue_sd**2 / (hue_sd**2 + _OWN_HUE_SD**2)
    trust_chroma = chroma_sd**2 / (chroma_sd**2 + _OWN_CHROMA_SD**2)
    new = from_polar(lightness, chroma + trust_chroma * stretch, hue + trust_hue * turn)
    left = np.array([chroma_sd * np.sqrt(1 - trust_chroma), hue_sd * np.sqrt(1 - trust_hue)])
    return new, left


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
