"""Corrections by hand, applied to what the finder saw. Each is tied to a point inside a pepper."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from truelobe.figures import Contribution, Figure, from_normal
from truelobe.fruit import Silhouette, add_at, merge, split
from truelobe.fruit.axis import StemCue
from truelobe.fruit.skin import SkinMap
from truelobe.fruit.slopes import Slopes
from truelobe.grading.blemish import Blemish, measure_blemish
from truelobe.messages import Message, TruelobeError
from truelobe.request import Correction

Pixels = NDArray[np.uint8]


def holds(silhouette: Silhouette, point: tuple[float, float]) -> bool:
    """Say whether a point of the photo lies inside a pepper's body."""
    column, row = round(point[0]) - silhouette.box[0], round(point[1]) - silhouette.box[1]
    height, width = silhouette.body.shape
    return 0 <= row < height and 0 <= column < width and bool(silhouette.body[row, column])


def changed_outlines(
    found: Sequence[Silhouette], pixels: Pixels, corrections: Sequence[Correction]
) -> tuple[Silhouette, ...]:
    """Return the silhouettes after a coach's additions, removals, partings and merges, numbered again."""
    kept = list(found)
    for change in corrections:
        inside = [one for one in kept if holds(one, change.at)]
        if change.kind == "remove":
            kept = [one for one in kept if not holds(one, change.at)]
        elif change.kind == "keep":
            kept = [replace(one, doubtful=False, cut_off=False) if holds(one, change.at) else one for one in kept]
        elif change.kind == "add" and not inside:
            kept.append(add_at(pixels, change.at))
        elif change.kind == "part" and change.to is not None and inside:
            kept = [one for one in kept if one is not inside[0]]
            kept.extend(split(pixels, inside[0], change.at, change.to))
        elif change.kind == "merge" and change.to is not None and inside:
            kept = _merged(kept, inside[0], change.to)
    return tuple(replace(one, number=number) for number, one in enumerate(kept, start=1))


def outlined_by_hand(silhouette: Silhouette, corrections: Sequence[Correction]) -> bool:
    """Say whether a coach has pointed at this outline, or made it, so that it is in doubt no more."""
    return any(
        change.kind in ("keep", "add", "part", "merge") and holds(silhouette, change.at) for change in corrections
    )


def _merged(kept: list[Silhouette], first: Silhouette, other_at: tuple[float, float]) -> list[Silhouette]:
    others = [one for one in kept if one is not first and holds(one, other_at)]
    if not others:
        return kept
    rest = [one for one in kept if one is not first and one is not others[0]]
    return [*rest, merge(first, others[0])]


def stem_end_by_hand(silhouette: Silhouette, corrections: Sequence[Correction]) -> StemCue | None:
    """Return the stem end, or the whole axis, that a coach marked on this pepper, the last word counting."""
    for change in reversed(corrections):
        if change.kind == "stem end" and change.to is not None and holds(silhouette, change.at):
            return StemCue(np.asarray(change.to, dtype=np.float64), "calyx", 1.0)
        if change.kind == "axis" and len(change.line or ()) == 2 and holds(silhouette, change.at):
            stem, blossom = np.asarray(change.line, dtype=np.float64)
            return StemCue(stem, "calyx", 1.0, blossom)
    return None


def colour_by_hand(silhouette: Silhouette, corrections: Sequence[Correction]) -> str | None:
    """Return the color that a coach gave this pepper."""
    for change in reversed(corrections):
        if change.kind == "colour" and holds(silhouette, change.at):
            return change.word
    return None


def readings_by_hand(silhouette: Silhouette, corrections: Sequence[Correction]) -> dict[str, Figure]:
    """Return the diameter and length that a coach measured on this pepper, as figures."""
    readings: dict[str, Figure] = {}
    for change in corrections:
        if change.kind != "measured" or not holds(silhouette, change.at):
            continue
        value, uncertainty = change.value, change.uncertainty
        if change.quantity is None or value is None or not 5 <= value <= 400:
            raise TruelobeError(
                "reading-out-of-range",
                "A measured size must lie between 5 and 400 mm.",
                "Type the reading again, in millimeters or inches.",
            )
        u = 0.5 if uncertainty is None or uncertainty <= 0 else uncertainty
        readings[change.quantity] = from_normal(
            value, u, (Contribution("reading by hand", u, "pepper"),), by_hand=True
        )
    return readings


def marked_blemishes(
    silhouette: Silhouette,
    skin: SkinMap,
    corrections: Sequence[Correction],
    size: Figure | None,
    *,
    read: Callable[[], Slopes] | None = None,
) -> tuple[tuple[Blemish, ...], tuple[Message, ...]]:
    """Return the areas that a coach marked on this pepper, and what to say of marks that can't be measured.

    Parameters
    ----------
    size : Figure or None
        The pepper's diameter; what its errors share with the photo is the scale's uncertainty. A pepper that is
        thicker than it was read also reaches nearer to the camera.
    read : callable, optional
        Reads the slopes of this pepper's skin from the picture, once and only where there is a mark; without it
        the smooth body's stand.
    """
    scale_u, height_u = 0.01, 0.0
    if size is not None and size.budget:
        shared = [line.effect for line in size.budget if line.shared_by != "pepper"]
        scale_u = float(np.sqrt(np.sum(np.square(shared))) / size.value)
        own = [line.effect for line in size.budget if line.shared_by == "pepper"]
        height_u = float(np.sqrt(np.sum(np.square(own))) / skin.distance_mm)
    drawn: dict[Any, Correction] = {}
    for change in corrections:
        if change.kind in ("blemish", "unmark") and holds(silhouette, change.at):
            # The same line again names a mark or takes it off.
            drawn[tuple((round(x, 1), round(y, 1)) for x, y in change.line or ())] = change
    left = [change for change in drawn.values() if change.kind != "unmark"]
    skin_mm2, facing, slope_u = skin.skin_mm2, skin.facing, None
    if left and read is not None:
        slopes = read()
        skin_mm2 = skin.skin_mm2 * skin.facing * slopes.inverse
        facing, slope_u = np.where(skin.facing > 0, 1 / slopes.inverse, np.float32(0)), slopes.u
    marks, said = [], []
    for change in left:
        try:
            marks.append(
                measure_blemish(
                    change.line or (),
                    silhouette.box,
                    silhouette.body,
                    skin_mm2,
                    facing,
                    fact=change.word,
                    scale_u=scale_u,
                    height_u=height_u,
                    slope_u=slope_u,
                    seen_mm2=float(skin.skin_mm2[silhouette.body].sum()),
                )
            )
        except TruelobeError as error:
            said.append(replace(error.message, severity="flag"))
    return tuple(marks), tuple(said)
