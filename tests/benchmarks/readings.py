"""How sizes fitted to the outline and sizes read by the pepper network err, and how much alike.

`python -m tests.benchmarks.readings [FOLDER ...]` measures the development plates, all of the first family of
forms, and plates of others in FOLDER (`sample_images/README.md`). It prints what `ERR_ALIKE` and `READ_WIDER` in
`truelobe.fruit.measure` are taken from, families in equal shares. Errors are those of logarithms, over the stated
deviation; peppers marked doubtful, and lengths in a pose that hides them, are left out.
"""

import multiprocessing
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from tests.benchmarks.accuracy import iou, match, ruler_request
from tests.benchmarks.truths import PepperTruth, read_truth

from truelobe.card import find_card
from truelobe.data import data_path
from truelobe.figures import Figure
from truelobe.fruit import find_fruit
from truelobe.fruit.bearing import Bearing, doubted, read_bearing
from truelobe.fruit.body import BodyFit
from truelobe.fruit.measure import TILTED_DEG, measure_size
from truelobe.fruit.pose import find_stance
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo
from truelobe.setting import Setting, grounded, looked_from, set_up

PROCESSES = 2
# An error of more than three deviations counts as three: a mistaken axis is no matter of a correlation.
FARTHEST = 3.0


@dataclass(frozen=True)
class Pair:
    """One size of one pepper, both errors over their stated deviations."""

    family: str
    quantity: str
    tilted: bool
    fitted: float
    read: float


def measure_plate(path: Path) -> list[Pair]:
    """Return the pairs of one plate; none where no card is found."""
    truth = read_truth(path)
    photo, request = read_photo(truth.photo), ruler_request(truth, False)
    try:
        sighting = find_card(photo)
    except TruelobeError:
        return []
    found = find_fruit(photo.pixels, (sighting.outline_px,))
    view = looked_from(photo, sighting, request)
    setting = grounded(set_up(photo, sighting, view, request), found)
    reads = [read_bearing(photo.pixels, one) for one in found]
    judged = doubted(found, reads)
    overlaps = np.array(
        [[iou(one, [ring.tolist() for ring in seen.outline_px]) for seen in found] for one in truth.peppers]
    )
    pairs: list[Pair] = []
    for i, j in match(overlaps).items():
        if not judged[j].doubtful and not judged[j].cut_off:
            stance = find_stance(judged[j], view, setting.errors.floor_mm, bearing=reads[j])
            pairs += _pairs(truth.peppers[i], stance.fit, setting, reads[j])
    return pairs


def _pairs(true: PepperTruth, fit: BodyFit, setting: Setting, read: Bearing) -> list[Pair]:
    size = measure_size(fit, setting.errors)
    per_px = np.log(float(fit.seen().centre[0, 2]) / fit.view.lens.focal_px)
    both: list[tuple[str, Figure | None, tuple[float, float]]] = [
        ("diameter", size.diameter, read.diameter_px),
        ("length", size.length if true.pose == "lying" else None, read.length_px),
    ]
    return [
        Pair(
            true.family,
            name,
            fit.tilt_deg >= TILTED_DEG,
            float(np.log(figure.value / true.sizes[name])) / (figure.standard_uncertainty / figure.value),
            (px[0] + per_px - float(np.log(true.sizes[name]))) / px[1],
        )
        for name, figure, px in both
        if figure is not None
    ]


def report(pairs: Sequence[Pair]) -> str:
    """Return the table."""
    families = sorted({pair.family for pair in pairs})
    lines = [f"{'':42}{'peppers':>8}{'outline':>9}{'reading':>9}{'alike':>7}"]
    for name in ("diameter", "length"):
        for tilted in (False, True):
            some = [pair for pair in pairs if pair.quantity == name and pair.tilted == tilted]
            where = f"{name}, tilted {'over' if tilted else 'under'} {TILTED_DEG:.0f} degrees"
            rows = [_row([pair for pair in some if pair.family == family]) for family in families]
            lines += [_line(f"{where}, {family}", row) for family, row in zip(families, rows, strict=True)]
            counted, errors, alike = np.split(np.array(rows), (1, 3), axis=1)
            together = (counted.sum(), *np.sqrt((errors**2).mean(axis=0)), alike.mean())
            lines.append(_line(f"{where}, all alike", together))
    return "\n".join(lines)


def _row(pairs: Sequence[Pair]) -> tuple[float, ...]:
    """Number, root mean squares of both errors, and their correlation."""
    errors = np.array([(pair.fitted, pair.read) for pair in pairs]).reshape(-1, 2)
    if len(errors) < 3:
        return (len(errors), np.nan, np.nan, np.nan)
    held = np.clip(errors, -FARTHEST, FARTHEST)
    return (len(errors), *np.sqrt((errors**2).mean(axis=0)), np.corrcoef(held.T)[0, 1])


def _line(name: str, row: Sequence[float]) -> str:
    count, fitted, read, alike = row
    return f"{name:42}{count:8.0f}{fitted:9.2f}{read:9.2f}{alike:7.2f}"


def main() -> None:
    """Measure all plates and print the table."""
    folders = [data_path("sample_images", "development"), *map(Path, sys.argv[1:])]
    paths = [path for folder in folders for path in sorted(folder.glob("*.truth.json"))]
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        print(report([pair for pairs in pool.map(measure_plate, paths) for pair in pairs]))


if __name__ == "__main__":
    main()
