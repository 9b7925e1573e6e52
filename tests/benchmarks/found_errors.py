"""Measure how found outlines and stem cues of the development plates differ from the true ones.

`python -m tests.benchmarks.found_errors` writes `sample_images/maker/found_errors.json`, which outline scenes draw
from. Peppers that the finder marks doubtful get no figures and are left out.
"""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from sample_images.maker.found import FILE, middle_of, reach_round, toward_stem, turned_twice
from tests.benchmarks.accuracy import iou, match
from tests.benchmarks.truths import PepperTruth, read_truth

from truelobe.card import find_card
from truelobe.colour import correct_from_card
from truelobe.data import data_path
from truelobe.fruit import Silhouette, find_fruit
from truelobe.fruit.axis import stem_cue
from truelobe.photo import read_photo


def measure_plate(path: Path) -> tuple[list[dict[str, Any]], float]:
    """Return the donor rows of one plate and the tool's own uncertainty of a skin color, in a* and b*."""
    truth = read_truth(path)
    axes = {one["number"]: one["axis_px"] for one in json.loads(path.read_text(encoding="utf-8"))["peppers"]}
    photo = read_photo(truth.photo)
    sighting = find_card(photo)
    found = find_fruit(photo.pixels, (sighting.outline_px,))
    overlaps = np.array(
        [[iou(one, [ring.tolist() for ring in seen.outline_px]) for seen in found] for one in truth.peppers]
    )
    rows = [
        row_of(truth.peppers[i], found[j], np.array(axes[truth.peppers[i].number]), truth.difficulty)
        for i, j in match(overlaps).items()
        if not found[j].doubtful
    ]
    return rows, correct_from_card(photo, sighting).u_ab


def row_of(true: PepperTruth, seen: Silhouette, axis_px: np.ndarray, difficulty: str) -> dict[str, Any]:
    """Lay one found pepper over the true one."""
    outline = true.outline_px[0]
    middle, stem, size = middle_of(outline), toward_stem(axis_px), float(np.sqrt(true.silhouette().body.sum()))
    error = (reach_round(seen.outline_px[0], middle, stem) - reach_round(outline, middle, stem)) / size
    cues = stem_cue(true.silhouette()), stem_cue(seen)
    offset = np.zeros(2)
    if cues[1] is not None:
        offset = (cues[1].end_px - (middle if cues[0] is None else cues[0].end_px)) / size
    return {
        "difficulty": difficulty,
        "lying": true.pose == "lying",
        "outline": np.round(error, 4).tolist(),
        "cue_true": None if cues[0] is None else cues[0].kind,
        "cue_found": None if cues[1] is None else cues[1].kind,
        "cue_share": 0.0 if cues[1] is None else round(cues[1].share, 4),
        "cue_offset": np.round([offset @ stem, offset @ [-stem[1], stem[0]]], 4).tolist(),
        "grain": np.round(turned_twice(seen.grain, stem, back=True), 3).tolist(),
    }


def main() -> None:
    """Measure all development plates and keep the donors."""
    rows, colours = [], []
    for path in sorted(data_path("sample_images", "development").glob("*.truth.json")):
        found, u_ab = measure_plate(path)
        rows += found
        colours.append(u_ab)
        print(path.name, len(found), file=sys.stderr, flush=True)
    about = (
        "How found outlines and stem cues differ from true ones, and how the shading runs, on the development "
        "plates, those marked doubtful left out; see sample_images/maker/found.py. skin_u_ab: median standard "
        "uncertainty of a corrected color."
    )
    kept = {"about": about, "skin_u_ab": round(float(np.median(colours)), 2), "donors": rows}
    text = json.dumps(kept, separators=(",", ":")).replace('{"difficulty"', '\n{"difficulty"')
    FILE.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
