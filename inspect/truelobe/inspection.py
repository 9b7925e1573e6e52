"""The main job: a photo in, a measured plate out.

Photo -> CardSighting -> View -> silhouettes -> bodies -> sizes and skin -> corrected colour -> decisions.
Each step is one function of one room; open the room that interests you.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from truelobe import __version__
from truelobe.camera import View
from truelobe.card import CardSighting, find_card
from truelobe.colour import Coverage, measure_coverage, settled
from truelobe.corrections import (
    changed_outlines,
    colour_by_hand,
    marked_blemishes,
    outlined_by_hand,
    readings_by_hand,
    stem_end_by_hand,
)
from truelobe.figures import Figure, mixture
from truelobe.fruit import FruitMaps, Silhouette, find_fruit, glance, model_name
from truelobe.fruit.bearing import Bearing, doubted, read_bearing
from truelobe.fruit.body import BodyFit
from truelobe.fruit.form import measure_form
from truelobe.fruit.measure import Size, measure_size
from truelobe.fruit.pose import Stance, find_stance
from truelobe.fruit.silhouette import Polygon
from truelobe.fruit.skin import SkinMap, map_skin
from truelobe.fruit.slopes import read_slopes
from truelobe.grading import Decision, decide
from truelobe.grading.shape import ShapeEvidence, ratio
from truelobe.grading.spots import Spot
from truelobe.messages import Message, TruelobeError
from truelobe.photo import Photo, read_photo
from truelobe.pointing import point_out
from truelobe.record import AxisSeen, PepperRecord, PlateInspection
from truelobe.remarks import on_green_among_coloured, on_pepper, on_plate, on_unmeasured
from truelobe.request import Request
from truelobe.setting import Setting, grounded, looked_from, set_up
from truelobe.side_by_side import each
from truelobe.verdicts import settle, verdicts_on_skin


def inspect_plate(source: Path | bytes, request: Request | None = None, *, name: str = "") -> PlateInspection:
    """Measure every pepper in the file of a photo of a plate with the scale card.

    Parameters
    ----------
    source : path or bytes
        The photo's file.
    request : Request, optional
    name : str, optional
        What to call the photo.

    Returns
    -------
    PlateInspection
        Whatever the photo is like: a bad one is refused with what to do about it, never an exception.
    """
    try:
        photo = read_photo(source, name=name)
    except TruelobeError as error:
        return refused(error, name=name)
    return inspect_photo(photo, request)


def inspect_photo(
    photo: Photo,
    request: Request | None = None,
    *,
    on_outlines: Callable[[Sequence[Polygon]], None] | None = None,
) -> PlateInspection:
    """Measure every pepper in a photo that is read already; returns as `inspect_plate`.

    Parameters
    ----------
    photo : Photo
    request : Request, optional
    on_outlines : callable, optional
        Called with the peppers' outlines as soon as a first look has found them, and again when they are moved
        onto the photo's edges; all that can wait comes after.
    """
    request = request or Request()
    try:
        sighting, seen = _card_and_glance(photo)
        view = looked_from(photo, sighting, request)
        silhouettes = _outlines(photo, sighting, seen, request, on_outlines)
        with ThreadPoolExecutor(max_workers=1) as beside:
            # Axes and sizes are read while colors and the plate's height are worked out.
            reading = beside.submit(_bearings, photo, silhouettes)
            setting = grounded(set_up(photo, sighting, view, request), silhouettes)
            bearings = reading.result()
        return _measured(setting, _in_doubt(silhouettes, bearings, request), bearings)
    except TruelobeError as error:
        return refused(error, photo)


def refused(error: TruelobeError, photo: Photo | None = None, *, name: str = "") -> PlateInspection:
    """Return the record of a photo that could not be measured."""
    messages = (*(photo.messages if photo is not None else ()), error.message)
    return PlateInspection(_photo_document(photo, None, name), {"tool": f"truelobe {__version__}"}, messages)


def _card_and_glance(photo: Photo) -> tuple[CardSighting, FruitMaps | None]:
    """Find the card beside a first look for peppers: neither needs the other, and a coach waits for both."""
    with ThreadPoolExecutor(max_workers=1) as beside:
        card = beside.submit(find_card, photo)
        seen = glance(photo.pixels)
        return card.result(), seen


def _outlines(
    photo: Photo,
    sighting: CardSighting,
    seen: FruitMaps | None,
    request: Request,
    on_outlines: Callable[[Sequence[Polygon]], None] | None,
) -> tuple[Silhouette, ...]:
    # What the coach has changed by hand is not in the first look.
    on_first = None if request.corrections else on_outlines
    found = find_fruit(photo.pixels, (sighting.outline_px,), seen=seen, on_first=on_first)
    found = changed_outlines(found, photo.pixels, request.corrections)
    if on_outlines is not None:
        on_outlines([ring for one in found for ring in one.outline_px])
    if not found:
        raise TruelobeError(
            "no-pepper-found",
            "The card is there, but no pepper was found in the picture.",
            "Check that the whole plate is in the picture, or point at a pepper that was missed.",
        )
    return found


def _bearings(photo: Photo, silhouettes: Sequence[Silhouette]) -> list[Bearing]:
    return each(lambda one: read_bearing(photo.pixels, one), silhouettes)


def _in_doubt(
    silhouettes: Sequence[Silhouette], bearings: Sequence[Bearing], request: Request
) -> tuple[Silhouette, ...]:
    """Mark outlines as doubtful by what is read of them, but for those that the coach has looked at."""
    pairs = zip(silhouettes, doubted(silhouettes, bearings), strict=True)
    return tuple(one if outlined_by_hand(one, request.corrections) else judged for one, judged in pairs)


def _measured(setting: Setting, silhouettes: Sequence[Silhouette], bearings: Sequence[Bearing]) -> PlateInspection:
    stances = each(lambda both: _stance(setting, *both), list(zip(silhouettes, bearings, strict=True)))
    skins = each(lambda stance: map_skin(stance.fit), stances)
    coverages = _coverages(setting, silhouettes, skins)
    spots = point_out(setting.photo.pixels, list(zip(silhouettes, skins, strict=True)), setting.correction)
    rows = list(zip(silhouettes, stances, skins, coverages, spots, strict=True))
    peppers = tuple(each(lambda parts: _record(setting, *parts), rows))
    photo = _photo_document(setting.photo, setting.view, setting.photo.name)
    before = (*setting.photo.messages, *setting.sighting.messages, *setting.correction.messages)
    said = on_plate(before, setting.scale, setting.view, silhouettes, setting.photo)
    return PlateInspection(photo, _made_by(setting), said, peppers)


def _stance(setting: Setting, silhouette: Silhouette, bearing: Bearing) -> Stance:
    marked = stem_end_by_hand(silhouette, setting.request.corrections)
    floor = setting.errors.floor_mm
    return find_stance(silhouette, setting.view, floor, marked, given=marked is not None, bearing=bearing)


def _coverages(
    setting: Setting, silhouettes: Sequence[Silhouette], skins: Sequence[SkinMap]
) -> list[tuple[Coverage, tuple[Message, ...]]]:
    """Cover every pepper; where most are colored, hold an all-green one against the color of the others."""
    declared = setting.request.declared_colour
    named = [colour_by_hand(one, setting.request.corrections) or declared for one in silhouettes]
    first = each(lambda three: _cover(setting, *three), list(zip(silhouettes, skins, named, strict=True)))
    first = _named_by_the_plate(setting, silhouettes, skins, first)
    colours = Counter(c.colour for c in first if c.colour not in (None, "green"))
    greens = sum(coverage.colour == "green" for coverage in first)
    if sum(colours.values()) <= greens:
        return [(coverage, coverage.messages) for coverage in first]
    plate = colours.most_common(1)[0][0]
    result = []
    for one, skin, name, coverage in zip(silhouettes, skins, named, first, strict=True):
        if name is None and coverage.colour == "green":
            again = replace(_cover(setting, one, skin, plate), other="green")
            result.append((again, (*again.messages, on_green_among_coloured(str(plate)))))
        else:
            result.append((coverage, coverage.messages))
    return result


def _named_by_the_plate(
    setting: Setting, silhouettes: Sequence[Silhouette], skins: Sequence[SkinMap], first: Sequence[Coverage]
) -> list[Coverage]:
    """Settle peppers between two colors by what the surely named ones on the plate are."""
    sure = Counter(coverage.colour for coverage in first if coverage.other is None)
    result = []
    for one, skin, coverage in zip(silhouettes, skins, first, strict=True):
        name = settled(coverage, sure)
        result.append(coverage if name is None else _cover(setting, one, skin, name))
    return result


def _cover(setting: Setting, silhouette: Silhouette, skin: SkinMap, colour: str | None) -> Coverage:
    x0, y0, x1, y1 = silhouette.box
    return measure_coverage(
        setting.photo.pixels[y0:y1, x0:x1],
        silhouette.body,
        silhouette.calyx,
        silhouette.stem,
        skin.skin_mm2,
        skin.facing,
        setting.correction,
        setting.references,
        colour,
        setting.request.line,
    )


def _record(
    setting: Setting,
    silhouette: Silhouette,
    stance: Stance,
    skin: SkinMap,
    covered: tuple[Coverage, tuple[Message, ...]],
    spots: tuple[Spot, ...],
) -> PepperRecord:
    coverage, messages = covered
    if silhouette.doubtful or silhouette.cut_off:
        return _undecided(setting, silhouette, stance, coverage)
    size, other = _sizes(setting, stance)
    by_photo: dict[str, Figure | None] = {"diameter_mm": size.diameter, "length_mm": size.length}
    hand = readings_by_hand(silhouette, setting.request.corrections)
    diameter = hand.get("diameter", size.diameter)
    length = hand.get("length", size.length)
    form = measure_form(stance)
    marks, unmeasured = marked_blemishes(
        silhouette,
        skin,
        setting.request.corrections,
        size.diameter,
        read=lambda: read_slopes(setting.photo.pixels, silhouette),
    )
    return PepperRecord(
        silhouette=silhouette,
        pose=size.pose,
        axis=_axis_seen(stance.fit, stance.unsure),
        colour=coverage.colour,
        diameter=diameter,
        width_seen=size.width_seen,
        length=length,
        not_fully_coloured=coverage.figure,
        skin_seen=skin.seen_fraction,
        decisions=_decisions(setting.request, diameter, length, coverage.figure, skin.seen_fraction),
        messages=(
            *messages,
            *unmeasured,
            *on_pepper(silhouette, axis_unsure=stance.unsure, length_seen=size.length is not None),
        ),
        other_reading=None if other is None else (other.diameter, other.length),
        by_hand=tuple(sorted(hand)),
        by_photo={f"{name}_mm": by_photo[f"{name}_mm"] for name in hand},
        counted=coverage.counted,
        left_out=coverage.left_out,
        blemishes=marks,
        shape=ShapeEvidence(
            ratio(length, diameter) if length is not None else None,
            *((form.asymmetry, form.bend, form.taper) if form is not None else (None, None, None)),
        ),
        spots=spots,
        other_colour=coverage.other,
    )


def _undecided(setting: Setting, silhouette: Silhouette, stance: Stance, coverage: Coverage) -> PepperRecord:
    """What is doubtful or cut off is shown, and left out of the figures until the coach says yes."""
    decisions = tuple((Decision(x, "whole", "not checked", None), None) for x in setting.request.limits)
    return PepperRecord(
        silhouette=silhouette,
        pose=stance.fit.start.pose,
        axis=_axis_seen(stance.fit, stance.unsure),
        colour=coverage.colour,
        diameter=None,
        width_seen=None,
        length=None,
        not_fully_coloured=None,
        skin_seen=None,
        decisions=decisions,
        messages=(on_unmeasured(silhouette),),
    )


def _sizes(setting: Setting, stance: Stance) -> tuple[Size, Size | None]:
    """Measure the pepper; where the axis is unsure, weigh in what the other axis would give."""
    size = measure_size(stance.fit, setting.errors, bearing=stance.bearing)
    if stance.other is None:
        return size, None
    other = measure_size(stance.other, setting.errors, bearing=stance.bearing)
    length = None if size.length is None else _either(size.length, other.length_likely, stance.weight)
    diameter = _either(size.diameter, other.diameter, stance.weight)
    return replace(size, diameter=diameter, length=length), other


def _either(first: Figure, second: Figure, weight: float) -> Figure:
    """Return a size that is either of two: their weighed mean errs least, and the spread holds both."""
    both = mixture(first, second, weight, "axis unsure")
    return replace(both, value=weight * first.value + (1 - weight) * second.value)


def _decisions(
    request: Request, diameter: Figure | None, length: Figure | None, skin: Figure | None, seen: float
) -> tuple[tuple[Decision, str | None], ...]:
    decided: list[Decision] = []
    for limit in request.limits:
        if limit.quantity == "not_fully_coloured":
            decided.extend(verdicts_on_skin(skin, seen, limit, request.level))
        else:
            figure = diameter if limit.quantity == "diameter" else length
            decided.append(decide(figure, limit, level=request.level, basis="whole"))
    return tuple((decision, settle(decision)) for decision in decided)


def _axis_seen(fit: BodyFit, unsure: bool) -> AxisSeen:
    seen = fit.seen()
    half = 0.5 * float(np.exp(fit.theta[4] + fit.theta[5]))
    ends = np.stack([seen.centre[0] + half * seen.axis[0], seen.centre[0] - half * seen.axis[0]])
    px = fit.view.project_camera(ends)
    u_deg = float(np.degrees(np.sqrt(fit.inverse[2, 2])))
    return AxisSeen((float(px[0, 0]), float(px[0, 1])), (float(px[1, 0]), float(px[1, 1])), u_deg, unsure)


def _photo_document(photo: Photo | None, view: View | None, name: str) -> dict[str, Any]:
    if photo is None:
        return {"name": name, "width_px": None, "height_px": None, "sha256": None, "focal_source": None}
    height, width = photo.pixels.shape[:2]
    return {
        "name": photo.name or name,
        "width_px": width,
        "height_px": height,
        "sha256": photo.sha256,
        "focal_source": None if view is None else view.lens.source,
    }


def _made_by(setting: Setting) -> dict[str, Any]:
    request, sighting, scale = setting.request, setting.sighting, setting.scale
    return {
        "tool": f"truelobe {__version__}",
        "model": model_name(),
        "card": {
            "edition": sighting.layout.edition,
            "print_number": sighting.print_number,
            "scale": [scale.across, scale.down],
            "scale_source": scale.source,
            "black_and_white": sighting.black_and_white,
            "outline_px": np.round(sighting.outline_px, 2).tolist(),
        },
        "references": setting.references.document(),
        "line": request.line,
        "rules": [
            {"rule": x.rule, "quantity": x.quantity, "limit": x.value, "unit": x.unit, "sense": x.sense}
            for x in request.limits
        ],
        "settings": request.settings()
        | {
            "plate_height_mm": setting.errors.floor_mm,
            "u_plate_height_mm": setting.errors.u_floor_mm,
            "card_place_seen": setting.card_place_seen,
        },
        "camera": setting.view.document(),
        "colour_transform": setting.correction.document(),
        "corrections": [c.document() for c in request.corrections],
    }
