"""A pepper's own ends under many equally likely corrections at once.

Row by row the same as `ends.end_pixels`, `ends.own_skin` and `ends.adapted`. The budget asks this of a few
hundred pixels some hundred times a pepper, and one by one that cost more than all the rest of the reading.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from truelobe.colour.ends import (
    FEWEST_OWN,
    FULL_SHARE,
    FURTHEST,
    LEAST_OWN_SHARE,
    OWN_CHROMA_SD,
    OWN_HUE_SD,
    ends_from,
    from_polar,
    polar,
)
from truelobe.colour.references import ColourReference, Reference

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Floats = NDArray[np.floating]


def adapted_ends(
    lab: Float32, position: Floats, chroma: Float32, weight: Float32, pair: ColourReference
) -> tuple[Float64, Float64]:
    """Return the ripe and the unripe reference, float64 (n, 3) each, adapted to the skin in each row.

    Parameters
    ----------
    lab : float32 (n, K, 3)
    position, chroma : float (n, K)
        Place on the line between the ends, chroma per light.
    weight : float32 (K,)
        mm2 of skin.
    pair : ColourReference
    """
    ripe_from, unripe_from = ends_from(pair)
    unit = _unit(lab)
    return (
        _adapted(pair.ripe, unit, position, chroma, weight, ripe_from, _densest_half),
        _adapted(pair.unripe, unit, 1 - position, chroma, weight, unripe_from, _furthest_quarter),
    )


def _unit(lab: Float32) -> tuple[Float32, Float32]:
    """Direction of a*, b*."""
    a, b = lab[..., 1], lab[..., 2]
    size = np.maximum(np.sqrt(a * a + b * b), np.float32(1e-6))
    return np.asarray(a / size, np.float32), np.asarray(b / size, np.float32)


def _adapted(
    reference: Reference,
    unit: tuple[Float32, Float32],
    towards: Floats,
    chroma: Float32,
    weight: Float32,
    start: float,
    choose: Callable[[Floats, NDArray[np.int64]], Bool],
) -> Float64:
    beyond = (towards > start) & (weight > 0)
    count = np.count_nonzero(beyond, axis=1)
    share = beyond @ weight / max(float(weight.sum()), 1e-9)
    shown = (count >= FEWEST_OWN) & (share > LEAST_OWN_SHARE)
    ends = np.repeat(np.array(reference.lab)[None], len(towards), axis=0)
    if not shown.any():
        return ends
    beyond, towards, chroma = beyond[shown], towards[shown], chroma[shown]
    own = choose(np.where(beyond, towards, np.inf), count[shown])
    strength = np.sort(np.where(own, chroma, np.float32(np.inf)), axis=1)
    own &= chroma >= np.take_along_axis(strength, np.count_nonzero(own, axis=1)[:, None] // 2, axis=1)
    a, b = (np.sum(part[shown], axis=1, where=own, dtype=np.float64) for part in unit)
    strong = np.sum(chroma, axis=1, where=own, dtype=np.float64) / np.count_nonzero(own, axis=1)
    ends[shown] = _moved(reference, strong, np.degrees(np.arctan2(b, a)) % 360, share[shown])
    return ends


def _moved(reference: Reference, own_chroma: Float64, own_hue: Float64, share: Float64) -> Float64:
    """Average a reference with the skin that stands for it, by their uncertainties."""
    lightness, chroma, hue = polar(reference.lab)
    _, chroma_sd, hue_sd = reference.spread
    turn = np.clip((own_hue - hue + 180) % 360 - 180, -FURTHEST * hue_sd, FURTHEST * hue_sd)
    stretch = np.clip(own_chroma * (lightness + 16) - chroma, -FURTHEST * chroma_sd, FURTHEST * chroma_sd)
    less_sure = 1 + (FULL_SHARE / np.maximum(share, 1e-3)) ** 2
    trust_chroma = chroma_sd**2 / (chroma_sd**2 + less_sure * OWN_CHROMA_SD**2)
    trust_hue = hue_sd**2 / (hue_sd**2 + less_sure * OWN_HUE_SD**2)
    return from_polar(lightness, chroma + trust_chroma * stretch, hue + trust_hue * turn)


def _densest_half(towards: Floats, count: NDArray[np.int64]) -> Bool:
    """In each row the shortest stretch that holds half of the `count` values that are finite."""
    ordered = np.sort(towards, axis=1)
    half = (count + 1) // 2
    last = np.arange(ordered.shape[1]) + (half - 1)[:, None]
    within = last < count[:, None]
    far = np.take_along_axis(ordered, np.where(within, last, 0), axis=1)
    first = np.argmin(np.where(within, far - np.where(within, ordered, 0), np.inf), axis=1)
    low, high = (np.take_along_axis(ordered, at[:, None], axis=1) for at in (first, first + half - 1))
    return np.asarray((towards >= low) & (towards <= high), dtype=np.bool_)


def _furthest_quarter(towards: Floats, count: NDArray[np.int64]) -> Bool:
    """In each row the largest quarter of the `count` values that are finite."""
    ordered = np.sort(towards, axis=1)
    place = 0.75 * (count - 1)
    low = place.astype(np.int64)
    first, second = (
        np.take_along_axis(ordered, at[:, None], axis=1) for at in (low, np.minimum(low + 1, count - 1))
    )
    part = (place - low)[:, None]
    step = second - first
    border = np.where(part < 0.5, first + step * part, second - step * (1 - part))
    return np.asarray((towards >= border) & np.isfinite(towards), dtype=np.bool_)
