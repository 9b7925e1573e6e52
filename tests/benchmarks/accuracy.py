"""How right the whole chain is on made plates: every figure beside its truth, and beside its floor.

The floor is the same measurement given the true outline, calyx, stem, camera and plate height: what is left is
what one view of a lobed body cannot tell. It is taken for peppers of which at most 3 % is hidden.

The bars of each print are told as a ruler would read them: to the nearest 0.5 mm, give or take 0.3 mm. If wanted,
each question about an axis is answered as a coach would, by a line drawn along the pepper with a finger.
"""

import json
import multiprocessing
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment
from tests.benchmarks import tables
from tests.benchmarks.truths import MOST_TOWARDS_CAMERA, QUANTITIES, PepperTruth, PlateTruth, read_truth

from truelobe.card import PrintScale, find_card, load_layout, scale_from_bars
from truelobe.colour import correct_from_card, load_references, measure_coverage
from truelobe.fruit.axis import stem_cue
from truelobe.fruit.bearing import read_bearing
from truelobe.fruit.measure import ViewErrors, measure_size
from truelobe.fruit.pose import find_stance
from truelobe.fruit.silhouette import filled
from truelobe.fruit.skin import map_skin
from truelobe.inspection import inspect_plate
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo
from truelobe.request import Correction, Request

RULER_STEP_MM, U_RULER_MM = 0.5, 0.3
U_FINGER = 0.04  # Of either end of a line drawn by hand, across and down, as a share of its length: 3 mm of 75.
LEAST_IOU = 0.3
CLEAR = 0.03
PROCESSES = 2
FIELDS = {
    "diameter": "diameter_mm",
    "width seen": "width_seen_mm",
    "length": "length_mm",
    "coverage": "not_fully_coloured",
}
Row = dict[str, Any]


def run(folder: Path, told: bool = False, answered: bool = False, keep: Path | None = None) -> dict[str, Any]:
    """Measure every plate of a folder, print the tables, and keep the rows if asked."""
    paths = sorted(folder.glob("*.truth.json"))
    if not paths:
        raise TruelobeError("no-plates", f"No made plates lie in {folder}.", "Make them with sample_images.maker.")
    result: dict[str, Any] = {"set": folder.name, "told": told, "answered": answered, "plates": []}
    # Fresh processes: OpenCV's threads do not survive a fork.
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for plate in pool.map(partial(measure_plate, told=told, answered=answered), paths):
            result["plates"].append(plate)
            print(f"{len(result['plates'])} of {len(paths)}: {plate['plate']}", file=sys.stderr, flush=True)
            if keep is not None:  # After each plate: a run that is broken off keeps what it has.
                keep.write_text(json.dumps(result, separators=(",", ":")) + "\n", encoding="utf-8")
    print(tables.report(result))
    return result


def measure_plate(path: Path, told: bool = False, answered: bool = False, floors: bool = True) -> Row:
    """Run the chain on one plate and lay what it says beside the truth, and beside the floor if wanted."""
    truth = read_truth(path)
    request = ruler_request(truth, told)
    document = inspect_plate(truth.photo, request, name=truth.photo.name).document()
    overlaps = np.array([[iou(one, seen["outline_px"]) for seen in document["peppers"]] for one in truth.peppers])
    pairs = match(overlaps)
    asked = {seen["number"] for seen in document["peppers"] if _axis_asked(seen)}
    if answered:
        # A line can be drawn along a pepper that lies; of one that stands on its end the question stays open.
        answers = [
            _line(truth.peppers[i], document["peppers"][j])
            for i, j in pairs.items()
            if document["peppers"][j]["number"] in asked and truth.peppers[i].pose == "lying"
        ]
        request = replace(request, corrections=tuple(answers))
        document = inspect_plate(truth.photo, request, name=truth.photo.name).document()
    beside = _floors(truth) if floors else [{}] * len(truth.peppers)
    rows = []
    for index, (one, floor) in enumerate(zip(truth.peppers, beside, strict=True)):
        seen = document["peppers"][pairs[index]] if index in pairs else None
        rows.append(_row(one, seen, float(overlaps[index, pairs[index]]) if seen else 0.0, floor, asked))
    return {
        "plate": truth.photo.name,
        "difficulty": truth.difficulty,
        "status": document["status"],
        "codes": [message["code"] for message in document["messages"]],
        "reported": len(document["peppers"]),
        "false": len(document["peppers"]) - len(pairs),
        "peppers": rows,
    }


def _axis_asked(seen: dict[str, Any]) -> bool:
    return any(message["code"] == "axis-unsure" for message in seen["messages"])


def _line(one: PepperTruth, seen: dict[str, Any]) -> Correction:
    """Draw a pepper's true axis over what was found, stem end first, with an unsteady finger."""
    reach = float(np.hypot(*(one.axis_px[0] - one.axis_px[1])))
    shaken = one.axis_px[::-1] + np.random.default_rng(one.number).normal(0, U_FINGER * reach, (2, 2))
    (x0, y0), (x1, y1) = shaken.tolist()
    across, down = seen["centre_px"]
    return Correction("axis", at=(across, down), line=((x0, y0), (x1, y1)))


def ruler_scale(bars_mm: Iterable[float]) -> PrintScale:
    """Return the scale of a print whose bars were read with a ruler."""
    across, down = (round(bar / RULER_STEP_MM) * RULER_STEP_MM for bar in bars_mm)
    return scale_from_bars(load_layout(), across, down, U_RULER_MM)


def ruler_request(truth: PlateTruth, told: bool) -> Request:
    """Return what a coach with a ruler would tell of this plate."""
    return Request(bars=ruler_scale(truth.bars_mm), plate_height_mm=truth.floor_mm if told else None)


def iou(one: PepperTruth, outline: list[list[list[float]]]) -> float:
    """Return intersection over union of a true body and a reported one, calyx in, stem out."""
    theirs = [np.array(ring) for ring in outline]
    points = np.concatenate([*one.outline_px, *theirs])
    (x0, y0), (x1, y1) = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int) + 1
    box = (int(x0), int(y0), int(x1), int(y1))
    first, second = filled(one.outline_px, box), filled(theirs, box)
    union = int((first | second).sum())
    return int((first & second).sum()) / union if union else 0.0


def match(overlaps: np.ndarray) -> dict[int, int]:
    """Pair true peppers with reported ones, the overlaps' sum as large as can be, each at least `LEAST_IOU`."""
    if overlaps.size == 0:
        return {}
    chosen = linear_sum_assignment(-overlaps)
    return {int(i): int(j) for i, j in zip(*chosen, strict=True) if overlaps[i, j] >= LEAST_IOU}


def _row(
    one: PepperTruth, seen: dict[str, Any] | None, overlap: float, floor: dict[str, float], asked: set[int]
) -> Row:
    figures = {}
    for name in QUANTITIES:
        figure = seen[FIELDS[name]] if seen is not None else None
        figures[name] = {
            "true": one.sizes[name],
            "floor": floor.get(name),
            "value": None if figure is None else figure["value"],
            "low": None if figure is None else figure["interval95"][0],
            "high": None if figure is None else figure["interval95"][1],
        }
    kept = ("rule", "quantity", "limit", "basis", "outcome")
    return {
        "number": one.number,
        "pose": one.pose,
        "colour": one.colour,
        "hidden": one.hidden,
        "found": seen is not None,
        "iou": overlap,
        "doubtful": bool(seen and seen["doubtful"]),
        "axis_asked": seen is not None and seen["number"] in asked,
        "stem_off_deg": None if seen is None else _stem_off(one, seen),
        "said_pose": seen["pose"] if seen else None,
        "said_colour": seen["colour"] if seen else None,
        "figures": figures,
        "decisions": [{key: d[key] for key in kept} for d in (seen["decisions"] if seen else [])],
    }


def _stem_off(one: PepperTruth, seen: dict[str, Any]) -> float | None:
    """How far the axis said is off in the picture, degrees; None for one that hardly lies across the view."""
    if abs(one.towards_camera_deg) > MOST_TOWARDS_CAMERA:
        return None
    true = one.axis_px[1] - one.axis_px[0]
    said = np.array(seen["axis_px"]["stem_end"]) - np.array(seen["axis_px"]["blossom_end"])
    cosine = true @ said / max(float(np.linalg.norm(true) * np.linalg.norm(said)), 1e-9)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def _floors(truth: PlateTruth) -> list[dict[str, float]]:
    """The four figures from true outlines, camera and plate height; the colors still come from the photo."""
    photo = read_photo(truth.photo)
    try:
        correction = correct_from_card(photo, find_card(photo))
    except TruelobeError:
        correction = None  # The sizes' floor needs no colors.
    references = load_references()
    floors = []
    for one in truth.peppers:
        floor: dict[str, float] = {}
        if one.hidden <= CLEAR:
            shape = one.silhouette()
            if not _inside(shape.box, photo.pixels.shape):
                floors.append(floor)
                continue
            bearing = read_bearing(photo.pixels, shape)
            stance = find_stance(shape, truth.view, truth.floor_mm, stem_cue(shape), bearing=bearing)
            size = measure_size(stance.fit, ViewErrors({}, truth.floor_mm, 0.01), bearing=bearing)
            floor = {"diameter": size.diameter.value, "width seen": size.width_seen.value}
            if size.length is not None:
                floor["length"] = size.length.value
            if correction is not None:
                x0, y0, x1, y1 = shape.box
                skin = map_skin(stance.fit)
                covered = measure_coverage(
                    photo.pixels[y0:y1, x0:x1],
                    shape.body,
                    shape.calyx,
                    shape.stem,
                    skin.skin_mm2,
                    skin.facing,
                    correction,
                    references,
                    one.colour,
                )
                if covered.figure is not None:
                    floor["coverage"] = covered.figure.value
        floors.append(floor)
    return floors


def _inside(box: tuple[int, int, int, int], shape: tuple[int, ...]) -> bool:
    return box[0] >= 0 and box[1] >= 0 and box[2] <= shape[1] and box[3] <= shape[0]
