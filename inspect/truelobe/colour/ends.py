"""What a pepper's own ripe and unripe skin look like: the references, moved toward what the pepper shows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from truelobe.colour.references import ColourReference, Reference
from truelobe.colour.ripeness import RipenessScale, SkinColour

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Int64 = NDArray[np.int64]
End = tuple[Int64, float]

OWN_HUE_SD: Final = 2.5
OWN_CHROMA_SD: Final = 5.0
FURTHEST: Final = 2.5
OWN_FROM: Final = (0.7, 0.85)
_LEAST_PURITY: Final = 0.25
LEAST_OWN_SHARE: Final = 0.03
FEWEST_OWN: Final = 10
FULL_SHARE: Final = 0.2


@dataclass(frozen=True)
class OwnSkin:
    """Part of a pepper's skin that stands for one end of ripeness.

    Attributes
    ----------
    pixels : int64 (K,)
        Which of the pixels; empty where the pepper does not clearly show that end.
    share : float
        How much of the skin is at that end.
    chroma, hue : float
        What the pixels show: mean chroma per (L + 16), mean hue in degrees.
    """

    pixels: NDArray[np.int64]
    share: float = 0.0
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
        return RipenessScale(adapted(self.pair.unripe, self.unripe), adapted(self.pair.ripe, self.ripe))

    @property
    def ripe_sd(self) -> Float64:
        """What stays uncertain of the ripe end: chroma, hue in degrees."""
        return left_unsure(self.pair.ripe, self.ripe)

    @property
    def unripe_sd(self) -> Float64:
        """What stays uncertain of the unripe end."""
        return left_unsure(self.pair.unripe, self.unripe)


def scale_of(pair: ColourReference) -> RipenessScale:
    """Return the line between two references as they stand."""
    return RipenessScale(np.array(pair.unripe.lab), np.array(pair.ripe.lab))


def own_ends(lab: Float32, skin: SkinColour, weight: Float32, pair: ColourReference) -> OwnEnds:
    """Adapt both references to the pepper's own most colored and greenest skin, where it clearly shows them.

    The pepper's skin and the reference are averaged by their uncertainties, and the skin may move the reference by
    no more than two and a half of its spreads.

    Parameters
    ----------
    lab : float32 (N, 3)
        Corrected CIELAB of sound skin.
    skin : SkinColour (N,)
        What `skin_colour` makes of it.
    weight : float32 (N,)
        mm2 of skin per pixel.
    pair : ColourReference
    """
    ends = OwnEnds(pair, _NO_SKIN, _NO_SKIN)
    for _ in range(2):
        placed = ends.scale.place(skin)
        read = placed.purity > _LEAST_PURITY
        both = end_pixels(placed.position, skin.chroma, np.where(read, weight, 0), pair)
        ripe, unripe = (own_skin(lab, skin.chroma, *end) for end in both)
        ends = OwnEnds(pair, ripe, unripe)
    return ends


def end_pixels(position: Float32, chroma: Float32, weight: Float32, pair: ColourReference) -> tuple[End, End]:
    """Return which skin stands for the ripe and which for the unripe end, and the share of skin that is there.

    Parameters
    ----------
    position, chroma, weight : float32 (N,)
        Place on the line between the ends, chroma per light, mm2; weight 0 is not considered.
    pair : ColourReference
    """
    ripe_from, unripe_from = ends_from(pair)
    return (
        _end_pixels(position, chroma, weight, ripe_from, _densest_half),
        _end_pixels(1 - position, chroma, weight, unripe_from, _furthest_quarter),
    )


def _end_pixels(
    towards: Float32, chroma: Float32, weight: Float32, start: float, choose: Callable[[Float32], Bool]
) -> End:
    """Return the skin that stands for one end, if there is enough beyond `start`.

    Of the chosen part the half stronger in color, for gloss only weakens it.
    """
    pixels = np.flatnonzero((towards > start) & (weight > 0))
    if pixels.size < FEWEST_OWN:
        return _NO_SKIN.pixels, 0.0
    share = float(weight[pixels].sum()) / max(float(weight.sum()), 1e-9)
    if share <= LEAST_OWN_SHARE:
        return _NO_SKIN.pixels, 0.0
    pixels = pixels[choose(towards[pixels])]
    strength = chroma[pixels]
    middle = np.partition(strength, len(strength) // 2)[len(strength) // 2]
    return np.asarray(pixels[strength >= middle], dtype=np.int64), share


def _densest_half(towards: Float32) -> Bool:
    """Fully colored skin is what most colored skin has come to: the shortest stretch that holds half of it."""
    ordered = np.sort(towards)
    half = (len(ordered) + 1) // 2
    first = int(np.argmin(ordered[half - 1 :] - ordered[: len(ordered) - half + 1]))
    return np.asarray((towards >= ordered[first]) & (towards <= ordered[first + half - 1]), dtype=np.bool_)


def _furthest_quarter(towards: Float32) -> Bool:
    """Green skin on a pepper that turns is mostly on its way already: the greenest quarter of it."""
    return np.asarray(towards >= _upper_quartile(towards), dtype=np.bool_)


def _upper_quartile(values: NDArray[np.floating]) -> np.floating:
    """What `numpy.quantile` gives for 0.75, without its overhead: this is asked hundreds of times a pepper.

    In the values' own precision: rounded to a coarser one it could exceed them all.
    """
    exact = values.dtype.type
    place = exact(0.75) * exact(len(values) - 1)
    low = int(place)
    ordered = np.partition(values, (low, min(low + 1, len(values) - 1)))
    first, second = ordered[low], ordered[min(low + 1, len(values) - 1)]
    part = place - exact(low)
    step = second - first
    return exact(first + step * part if part < 0.5 else second - step * (1 - part))


def ends_from(pair: ColourReference) -> tuple[float, float]:
    """How far towards the ripe, and towards the unripe end, skin must be to stand for it."""
    between = _hue_between(pair)
    least, most = OWN_FROM
    ripe, unripe = (min(max(1 - 2 * end.spread[2] / between, least), most) for end in (pair.ripe, pair.unripe))
    return ripe, unripe


def _hue_between(pair: ColourReference) -> float:
    """Degrees of hue from the ripe to the unripe end."""
    ripe, unripe = polar(pair.ripe.lab)[2], polar(pair.unripe.lab)[2]
    return max(abs((unripe - ripe + 180) % 360 - 180), 1.0)


def own_skin(lab: Float32, chroma: Float32, pixels: Int64, share: float) -> OwnSkin:
    """Return what skin that stands for an end shows, from CIELAB (N, 3) and chroma per light (N,)."""
    if pixels.size == 0:
        return _NO_SKIN
    both = lab[:, 1][pixels], lab[:, 2][pixels]
    size = np.maximum(np.sqrt(both[0] * both[0] + both[1] * both[1]), np.float32(1e-6))
    a, b = (float((part / size).sum(dtype=np.float64)) for part in both)
    return OwnSkin(pixels, share, float(chroma[pixels].mean()), math.degrees(math.atan2(b, a)) % 360)


def adapted(reference: Reference, own: OwnSkin) -> Float64:
    """Return the reference averaged with the pepper's own skin, by their uncertainties."""
    if own.pixels.size == 0:
        return np.array(reference.lab)
    lightness, chroma, hue = polar(reference.lab)
    _, chroma_sd, hue_sd = reference.spread
    turn = _within((own.hue - hue + 180) % 360 - 180, FURTHEST * hue_sd)
    stretch = _within(own.chroma * (lightness + 16) - chroma, FURTHEST * chroma_sd)
    trust_chroma, trust_hue = _trust(reference, own)
    chroma, hue = chroma + trust_chroma * stretch, math.radians(hue + trust_hue * turn)
    return np.array([lightness, chroma * math.cos(hue), chroma * math.sin(hue)])


def _within(value: float, most: float) -> float:
    return min(max(value, -most), most)


def left_unsure(reference: Reference, own: OwnSkin) -> Float64:
    """Return what stays uncertain of an adapted reference: chroma, hue in degrees."""
    trust = np.array(_trust(reference, own)) if own.pixels.size else np.zeros(2)
    return np.asarray(np.array(reference.spread[1:]) * np.sqrt(1 - trust), dtype=np.float64)


def _trust(reference: Reference, own: OwnSkin) -> tuple[float, float]:
    """How much of the way a reference goes toward the pepper's own skin: chroma, hue.

    Where a pepper shows little of an end, that little is mostly on its way to the other.
    """
    _, chroma_sd, hue_sd = reference.spread
    less_sure = 1 + (FULL_SHARE / max(own.share, 1e-3)) ** 2
    own_chroma, own_hue = less_sure * OWN_CHROMA_SD**2, less_sure * OWN_HUE_SD**2
    return chroma_sd**2 / (chroma_sd**2 + own_chroma), hue_sd**2 / (hue_sd**2 + own_hue)


def polar(lab: Iterable[float]) -> tuple[float, float, float]:
    """Return L*, C*, hue angle in degrees."""
    lightness, a, b = map(float, lab)
    return lightness, math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360


def from_polar(lightness: ArrayLike, chroma: ArrayLike, hue: ArrayLike) -> Float64:
    """Return CIELAB (..., 3) for L*, C*, hue angle in degrees."""
    turned = np.radians(hue)
    parts = np.broadcast_arrays(lightness, chroma * np.cos(turned), chroma * np.sin(turned))
    return np.stack(parts, axis=-1)
