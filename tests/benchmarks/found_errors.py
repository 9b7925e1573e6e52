"""Measure how found outlines and stem cues of the development plates differ from the true ones.

`python -m tests.benchmarks.found_errors` writes `sample_images/maker/found_errors.json`, which outline scenes draw
from. Peppers that the finder marks doubtful get no figures and are left out.
"""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from sample_images.maker.found import FILE, frame_of, middle_of, reach_round, toward_stem
from tests.benchmarks.accuracy import iou, match
from tests.benchmarks.truths import PepperTruth, PlateTruth, read_truth

from truelobe.card import find_card
from truelobe.colour import correct_from_card
from truelobe.data import data_path
from truelobe.fruit import Silhouette, find_fruit
from truelobe.fruit.axis import stem_cue
from truelobe.fruit.bearing import Bearing, against_sight, doubted, read_bearing
from truelobe.photo import read_photo


def measure_plate(path: Path) -> tuple[list[dict[str, Any]], float]:
    """Return the donor rows of one plate and the tool's own uncertainty of a skin color, in a* and b*."""
    truth = read_truth(path)
    photo = read_photo(truth.photo)
    sighting = find_card(photo)
    found = find_fruit(photo.pixels, (sighting.outline_px,))
    overlaps = np.array(
        [[iou(one, [ring.tolist() for ring in seen.outline_px]) for seen in found] for one in truth.peppers]
    )
    reads = [read_bearing(photo.pixels, one) for one in found]
    judged = doubted(found, reads)
    rows = [
        row_of(truth.peppers[i], found[j], truth, reads[j])
        for i, j in match(overlaps).items()
        if not judged[j].doubtful
    ]
    return rows, correct_from_card(photo, sighting).u_ab


def row_of(true: PepperTruth, seen: Silhouette, truth: PlateTruth, read: Bearing) -> dict[str, Any]:
    """Lay one found pepper over the true one."""
    outline = true.outline_px[0]
    middle, stem = middle_of(outline), toward_stem(true.axis_px)
    size = float(np.sqrt(true.silhouette().body.sum()))
    error = (reach_round(seen.outline_px[0], middle, stem) - reach_round(outline, middle, stem)) / size
    cues = stem_cue(true.silhouette()), stem_cue(seen)
    offset = np.zeros(2)
    if cues[1] is not None:
        offset = (cues[1].end_px - (middle if cues[0] is None else cues[0].end_px)) / size
    return {
        "difficulty": truth.difficulty,
        "lying": true.pose == "lying",
        "outline": np.round(error, 4).tolist(),
        "cue_true": None if cues[0] is None else cues[0].kind,
        "cue_found": None if cues[1] is None else cues[1].kind,
        "cue_share": 0.0 if cues[1] is None else round(cues[1].share, 4),
        "cue_offset": np.round([offset @ stem, offset @ [-stem[1], stem[0]]], 4).tolist(),
        **_read_off(true, truth, read),
    }


def _read_off(true: PepperTruth, truth: PlateTruth, read: Bearing) -> dict[str, Any]:
    """How far the pepper network's axis and sizes are off."""
    view, middle_px = truth.view, true.axis_px.mean(axis=0)
    frame = frame_of(against_sight(true.axis(view), read.sight(view)))
    depth = float(view.on_plane(middle_px[None], truth.floor_mm + true.height_mm)[0, 2])
    true_px = np.log(np.array([true.sizes["diameter"], true.sizes["length"]]) * view.lens.focal_px / depth)
    sizes = np.array([read.diameter_px, read.length_px])
    return {
        "toward": np.round(read.toward @ frame.T, 3).tolist(),
        "held": np.round(read.held, 2).tolist(),
        "chance": np.round(read.chance, 4).tolist(),
        "size_off": np.round(sizes[:, 0] - true_px, 4).tolist(),
        "size_u": np.round(sizes[:, 1], 4).tolist(),
        "excess": round(float(np.log(true.sizes["diameter"] / true.sizes["width seen"])), 4),
    }


def _follows(rows: list[dict[str, Any]]) -> float:
    """Slope of the diameter's reading against the excess of the diameter over the width seen."""
    off = np.array([row["size_off"][0] for row in rows])
    excess = np.array([row["excess"] for row in rows])
    return float(np.polyfit(excess, off, 1)[0])


def main() -> None:
    """Measure all development plates and keep the donors."""
    rows, colours = [], []
    for path in sorted(data_path("sample_images", "development").glob("*.truth.json")):
        found, u_ab = measure_plate(path)
        rows += found
        colours.append(u_ab)
        print(path.name, len(found), file=sys.stderr, flush=True)
    about = (
        "How found outlines and stem cues differ from true ones, and what the pepper network read beside the "
        "truth, on the development plates, those marked doubtful left out; see sample_images/maker/found.py. "
        "skin_u_ab: median standard uncertainty of a corrected color. size_follows: slope of size_off against "
        "excess."
    )
    kept = {
        "about": about,
        "skin_u_ab": round(float(np.median(colours)), 2),
        "size_follows": round(_follows(rows), 3),
        "donors": rows,
    }
    text = json.dumps(kept, separators=(",", ":")).replace('{"difficulty"', '\n{"difficulty"')
    FILE.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
