"""Which color a pepper is, from its own most colored skin, and how sure that is.

A name is a probability: how far skin angles of a color lie apart from pepper to pepper (the references' spread)
and from correction to correction, against the same of its neighbor. Under nine in ten the neighbor is said too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from truelobe.colour.references import ColourReference, References
from truelobe.colour.ripeness import SkinColour, luminance, skin_colour

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]

GREEN: Final = "green"
BASIC: Final = ("red", "orange", "yellow")
"""Colors that a pepper is named by itself; others are named when their skin fits nothing else."""

LEAST_COLOURED: Final = 0.03
"""With less colored skin than this a pepper is called all green: light from neighbors alone reaches that."""

_SURELY_COLOURED: Final = 0.08
"""On 52 green peppers of made plates up to 3.3 % read as clearly colored, in hard light; on shop photographs in
warm light without a card, more."""

_MOSTLY_COLOURED: Final = 0.5
_PURPLE_ANGLES: Final = (12.0, 165.0)
_TELLS_LIGHTNESS: Final = 12.0
_TELLS_CHROMA: Final = 6.0
_TOLD_LEAST: Final = 0.1
_LIT: Final = 0.4

SURE: Final = 0.9
"""Probability from which a name is said without its neighbor."""

_ANGLE_SD: Final = 4.0
"""Standard error of the skin angle after the correction used for names, degrees: 3.7 root mean square on 230 ripe
peppers of made plates, rounded up for phones and prints not seen there."""

_GREEN_SD: Final = 7.0
_ON_ITS_WAY: Final = (0.02, 0.2)
"""Chance that even the ripest skin seen is still turning: on a pepper all colored, added where hardly any is."""

_FOREIGN_CHROMA: Final = 0.8
_BROWN_BELOW: Final = 0.4
_DULL_BELOW: Final = 0.75
"""White and brown skin is weak in color even where gloss weakens it least: chroma per light under four fifths of
the reference. On 236 ripe peppers of made plates white stayed under 0.68 and brown under 0.80 of it, red above
0.82, yellow and orange above 0.89; on 294 peppers of shop photographs (Klasson et al. 2019) every red, orange and
yellow one lay above. Brown skin also reflects a seventh of what orange or yellow skin does; shaded ripe skin keeps
its full chroma, and gloss, which weakens it, adds light. A pepper that is only turning is dull in places too, so
all this is asked of peppers that are mostly colored."""

_PALE_LIGHT: Final = 0.18
_WHITE_FROM_LIGHT: Final = 0.45
_WHITE_BELOW_CHROMA: Final = 0.45
"""Whitish skin that leans to green: lighter than any green skin (under 0.35) and half as strong in color."""


@dataclass(frozen=True)
class Named:
    """What a pepper's skin says of its color.

    Attributes
    ----------
    colour : str
        "red", "orange", "yellow" by the skin that is furthest from green; "green" when all of it is green;
        "purple", "white", "brown" or "striped" when the skin fits none of these.
    other : str or None
        What it may be instead, when that is nearly as likely.
    probability : float
        Of `colour` against `other`.
    """

    colour: str
    other: str | None = None
    probability: float = 1.0


def name_colour(lab: Float32, skin: SkinColour, weight: Float32, references: References) -> Named:
    """Name a pepper's color from its skin.

    Parameters
    ----------
    lab : float32 (N, 3)
        Corrected CIELAB of skin.
    skin : SkinColour (N,)
        What `skin_colour` makes of it.
    weight : float32 (N,)
        mm2 of skin per pixel.
    references : References
    """
    told = (lab[:, 0] > _TELLS_LIGHTNESS) & (np.hypot(lab[:, 1], lab[:, 2]) > _TELLS_CHROMA)
    if float(weight[told].sum()) < _TOLD_LEAST * float(weight.sum()):
        told = np.ones_like(told)
    light, angle, chroma, weight = luminance(lab[told, 0]), skin.angle[told], skin.chroma[told], weight[told]
    purple = (angle < _PURPLE_ANGLES[0]) | (angle > _PURPLE_ANGLES[1])
    coloured = (angle < _border_of_green(references)) | purple
    share = float(weight[coloured].sum()) / max(float(weight.sum()), 1e-9)
    if share < LEAST_COLOURED:
        return _all_green(light, chroma)
    purple_part = float(weight[purple].sum()) / max(float(weight[coloured].sum()), 1e-9)
    if purple_part > 0.6 and purple_part * share > 0.1:
        return Named("purple")
    if purple_part > 0.2 and purple_part * share > 0.2:
        return Named("striped")
    plain = coloured & ~purple
    if not plain.any():
        return _all_green(light, chroma)
    plain &= light >= _LIT * weighted_quantile(light[plain], weight[plain], 0.9)
    named = _by_angle(angle[plain], weight[plain], share, references)
    pair = references.of(named.colour)
    if pair is None:
        return named
    clearly = float(weight[angle < _mostly(references, named.colour)].sum()) / float(weight.sum())
    if share > _MOSTLY_COLOURED:
        ripest = plain & (angle <= np.median(angle[plain]))
        foreign = _foreign(named, light[ripest], chroma[ripest], pair)
        return foreign or (named if clearly >= LEAST_COLOURED else _green_or(named, angle, weight, pair))
    return _little_coloured(named, clearly) if clearly >= LEAST_COLOURED else _all_green(light, chroma)


def _by_angle(angle: Float32, weight: Float32, share: float, references: References) -> Named:
    """Name colored skin by its ripest part; the less of a pepper is colored, the more of that is still turning.

    The ripest skin of a pepper either has come to its color, and differs from the reference by what peppers and
    corrections differ, or lies anywhere on the way there from green.
    """
    ripest = weighted_quantile(angle, weight, max(0.1, 0.5 * share))
    turning = _ON_ITS_WAY[0] + _ON_ITS_WAY[1] * (1 - share)
    border = _border_of_green(references)
    likely = {
        name: (1 - turning) * _ripe_at(ripest, pair) + turning * _turning_at(ripest, pair, border)
        for name in BASIC
        if (pair := references.of(name)) is not None
    }
    return _likeliest(likely)


def _ripe_at(angle: float, pair: ColourReference) -> float:
    """Density, per degree, of the skin angle that ripe skin of a color is read at."""
    sd = _read_sd(pair)
    return float(np.exp(-(((angle - _angle_of(pair)) / sd) ** 2) / 2) / (sd * np.sqrt(2 * np.pi)))


def _turning_at(angle: float, pair: ColourReference, border: float) -> float:
    """Density of the skin angle of skin on its way from green, anywhere between the border and the color."""
    sd, centre = _read_sd(pair), _angle_of(pair)
    reached = ndtr((angle - centre) / sd) - ndtr((angle - border) / sd)
    return float(max(reached, 0.0) / max(border - centre, sd))


def _likeliest(likely: dict[str, float]) -> Named:
    """Name the likelier of the two likeliest colors, with its probability against the other."""
    if not likely:
        return Named(GREEN)
    first, *rest = sorted(likely, key=lambda each: -likely[each])
    total = likely[first] + (likely[rest[0]] if rest else 0.0)
    probability = likely[first] / total if total > 0 else 1.0
    return Named(first) if not rest or probability >= SURE else Named(first, rest[0], probability)


def _green_or(named: Named, angle: Float32, weight: Float32, pair: ColourReference) -> Named:
    """Tell a green pepper in warm light from one that has turned all over but not far, by its middle skin."""
    middle = weighted_quantile(angle, weight, 0.5)
    centre = float(skin_colour(np.array(pair.unripe.lab)).angle)
    sd = float(np.hypot(_GREEN_SD, _ANGLE_SD))
    green = float(np.exp(-(((min(middle, centre) - centre) / sd) ** 2) / 2) / (sd * np.sqrt(2 * np.pi)))
    return _likeliest({GREEN: green, named.colour: _ripe_at(middle, pair)})


def _little_coloured(named: Named, clearly: float) -> Named:
    """Doubt a little yellow or orange on green: warm light and neighbors can make it, hardly a little red."""
    if named.colour == "red" or clearly >= _SURELY_COLOURED:
        return named
    way = (clearly - LEAST_COLOURED) / (_SURELY_COLOURED - LEAST_COLOURED)
    probability = 0.5 + (SURE - 0.5) * way
    return Named(named.colour, GREEN, probability) if probability < named.probability else named


def _angle_of(pair: ColourReference) -> float:
    return float(skin_colour(np.array(pair.ripe.lab)).angle)


def _read_sd(pair: ColourReference) -> float:
    return float(np.hypot(pair.ripe.spread[2], _ANGLE_SD))


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


def _foreign(named: Named, light: Float32, chroma: Float32, pair: ColourReference) -> Named | None:
    """Tell white and brown skin from a pepper's colored skin, by its light and chroma per light.

    Whitish skin leans to yellow; pale red or orange is gloss.
    """
    ripe = np.array(pair.ripe.lab)
    strength = float(np.quantile(chroma, 0.8)) / float(skin_colour(ripe).chroma)
    bright = float(np.quantile(light, 0.8)) / float(luminance(ripe[0]))
    if strength < _FOREIGN_CHROMA and "yellow" in (named.colour, named.other) and np.median(light) > _PALE_LIGHT:
        return Named("white")
    if pair.ripe.lab[0] <= 50:
        return Named("brown") if strength < _FOREIGN_CHROMA and bright < _DULL_BELOW else None
    return Named("brown") if bright < _BROWN_BELOW and strength < 1 else None


def _all_green(light: Float32, chroma: Float32) -> Named:
    """Tell a white pepper that leans to green from a green one."""
    pale = np.quantile(light, 0.8) > _WHITE_FROM_LIGHT and np.quantile(chroma, 0.8) < _WHITE_BELOW_CHROMA
    return Named("white" if pale else GREEN)


def weighted_quantile(values: NDArray[np.floating], weight: NDArray[np.floating], level: float) -> float:
    """Return the value below which a share `level` of the weight lies."""
    order = np.argsort(values)
    total = np.cumsum(np.asarray(weight, dtype=np.float64)[order])
    if total[-1] <= 0:
        return float(np.quantile(values, level))
    return float(values[order][min(int(np.searchsorted(total, level * total[-1])), len(order) - 1)])
