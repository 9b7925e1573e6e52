"""Measure how found outlines and stem cues of plates differ from the true ones, and how a pepper is misread.

`python -m tests.benchmarks.found_errors [FOLDER ...]` writes `sample_images/maker/found_errors.json`, which
outline scenes draw from. The development plates, all of the first family of forms, are always measured; FOLDER
holds plates of the others (`sample_images/README.md`). Peppers that the finder marks doubtful get no figures and
are left out.
"""

import json
import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from sample_images.maker.found import FILE, frame_of, middle_of, reach_round, toward_stem
from tests.benchmarks.accuracy import iou, match, ruler_request
from tests.benchmarks.truths import PepperTruth, PlateTruth, read_truth

from truelobe.card import find_card
from truelobe.data import data_path
from truelobe.fruit import find_fruit
from truelobe.fruit.axis import stem_cue
from truelobe.fruit.bearing import against_sight, doubted, read_bearing
from truelobe.fruit.measure import measure_size
from truelobe.fruit.pose import Stance, find_stance
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo
from truelobe.setting import Setting, grounded, looked_from, set_up

PROCESSES = 2


def measure_plate(path: Path) -> tuple[list[dict[str, Any]], float]:
    """Return the donor rows of one plate and the tool's own uncertainty of a skin color, in a* and b*.

    A plate whose card is not found is measured by nobody: no rows, NaN.
    """
    truth = read_truth(path)
    photo, request = read_photo(truth.photo), ruler_request(truth, False)
    try:
        sighting = find_card(photo)
    except TruelobeError as error:
        print(f"{path.name}: {error.message.code}", file=sys.stderr)
        return [], float("nan")
    found = find_fruit(photo.pixels, (sighting.outline_px,))
    setting = grounded(set_up(photo, sighting, looked_from(photo, sighting, request), request), found)
    overlaps = np.array(
        [[iou(one, [ring.tolist() for ring in seen.outline_px]) for seen in found] for one in truth.peppers]
    )
    reads = [read_bearing(photo.pixels, one) for one in found]
    judged = doubted(found, reads)
    rows = []
    for i, j in match(overlaps).items():
        if not judged[j].doubtful and not judged[j].cut_off:
            stance = find_stance(judged[j], setting.view, setting.errors.floor_mm, bearing=reads[j])
            rows.append(row_of(truth.peppers[i], truth, stance, setting))
    return rows, setting.correction.u_ab


def row_of(true: PepperTruth, truth: PlateTruth, stance: Stance, setting: Setting) -> dict[str, Any]:
    """Lay one found pepper over the true one."""
    seen, outline = stance.fit.silhouette, true.outline_px[0]
    middle, stem = middle_of(outline), toward_stem(true.axis_px)
    size = float(np.sqrt(true.silhouette().body.sum()))
    error = (reach_round(seen.outline_px[0], middle, stem) - reach_round(outline, middle, stem)) / size
    apart, per_px = seen.disagreement_px, _depth_mm(true, truth) / truth.view.lens.focal_px
    cues = stem_cue(true.silhouette()), stem_cue(seen)
    offset = np.zeros(2)
    if cues[1] is not None:
        offset = (cues[1].end_px - (middle if cues[0] is None else cues[0].end_px)) / size
    return {
        "family": true.family,
        "difficulty": truth.difficulty,
        "lying": true.pose == "lying",
        "tilt_deg": round(abs(true.towards_camera_deg), 1),
        "outline": np.round(error, 4).tolist(),
        "apart_mm": None if apart is None else round(apart * per_px, 2),
        "cue_true": None if cues[0] is None else cues[0].kind,
        "cue_found": None if cues[1] is None else cues[1].kind,
        "cue_share": 0.0 if cues[1] is None else round(cues[1].share, 4),
        "cue_offset": np.round([offset @ stem, offset @ [-stem[1], stem[0]]], 4).tolist(),
        **_read_off(true, truth, stance),
        **_fit_off(true, truth, stance, setting),
    }


def _depth_mm(true: PepperTruth, truth: PlateTruth) -> float:
    """How far the pepper's middle is from the camera along its axis."""
    middle_px = true.axis_px.mean(axis=0)
    return float(truth.view.on_plane(middle_px[None], truth.floor_mm + true.height_mm)[0, 2])


def _read_off(true: PepperTruth, truth: PlateTruth, stance: Stance) -> dict[str, Any]:
    """How far the pepper network's axis and sizes are off."""
    view, read = truth.view, stance.bearing
    assert read is not None
    frame = frame_of(against_sight(true.axis(view), read.sight(view)))
    per_mm = view.lens.focal_px / _depth_mm(true, truth)
    true_px = np.log(np.array([true.sizes["diameter"], true.sizes["length"]]) * per_mm)
    sizes = np.array([read.diameter_px, read.length_px])
    return {
        "toward": np.round(read.toward @ frame.T, 3).tolist(),
        "held": np.round(read.held, 2).tolist(),
        "chance": np.round(read.chance, 4).tolist(),
        "size_off": np.round(sizes[:, 0] - true_px, 4).tolist(),
        "size_u": np.round(sizes[:, 1], 4).tolist(),
    }


def _fit_off(true: PepperTruth, truth: PlateTruth, stance: Stance, setting: Setting) -> dict[str, Any]:
    """How far the sizes fitted to the outline are off, and how far they may be."""
    size = measure_size(stance.fit, setting.errors)
    figures = {"diameter": size.diameter, "length": size.length if true.pose == "lying" else None}
    return {
        "fit_off": [f and round(float(np.log(f.value / true.sizes[name])), 4) for name, f in figures.items()],
        "fit_u": [f and round(f.standard_uncertainty / f.value, 4) for f in figures.values()],
        "far_off": round(float(np.log(stance.fit.seen().centre[0, 2] / _depth_mm(true, truth))), 4),
        "fit_tilt_deg": round(stance.fit.tilt_deg, 1),
        "excess": round(float(np.log(true.sizes["diameter"] / true.sizes["width seen"])), 4),
    }


def main() -> None:
    """Measure all plates and keep the donors."""
    folders = [data_path("sample_images", "development"), *map(Path, sys.argv[1:])]
    paths = [path for folder in folders for path in sorted(folder.glob("*.truth.json"))]
    rows, colours = [], []
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for path, (found, u_ab) in zip(paths, pool.map(measure_plate, paths), strict=True):
            rows += found
            colours.append(u_ab)
            print(path.name, len(found), file=sys.stderr, flush=True)
    about = (
        "How found outlines and stem cues differ from true ones, and what the pepper network and the body fitted "
        "read beside the truth, on plates of three families, those marked doubtful left out; see "
        "sample_images/maker/found.py. "
        "skin_u_ab: median standard uncertainty of a corrected color."
    )
    kept = {
        "about": about,
        "skin_u_ab": round(float(np.nanmedian(colours)), 2),
        "donors": rows,
    }
    text = json.dumps(kept, separators=(",", ":")).replace('{"family"', '\n{"family"')
    FILE.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
