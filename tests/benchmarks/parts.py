"""What each part of the chain is worth for sizes: one part at a time left out, or replaced by the truth.

Counted are peppers of which at most 3 % is hidden; lengths, of those that lie and are said to. With the truth
put in, a row says what better outlines or a better camera could gain; with a part left out, what that part gains
now. Without the pepper network a pepper needs a stem end in sight, so that row counts fewer. The plain reading
takes the outline's extents along the true axis and across it, on the plane through the pepper's middle, tangents
taken out, and its bias is taken out as well.

Run as ``python -m tests.benchmarks.parts FOLDER``.
"""

import argparse
import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.accuracy import CLEAR, PROCESSES, iou, match, ruler_request
from tests.benchmarks.outlines import REFINEMENTS
from tests.benchmarks.truths import DIFFICULTIES, PepperTruth, PlateTruth, read_truth

from truelobe.camera import View
from truelobe.card import CardSighting, find_card
from truelobe.figures import Figure
from truelobe.fruit import Silhouette, find_fruit
from truelobe.fruit.axis import stem_cue
from truelobe.fruit.bearing import Bearing, read_bearing
from truelobe.fruit.finder import glance, outlined
from truelobe.fruit.grouping import group
from truelobe.fruit.measure import Size, ViewErrors, measure_size
from truelobe.fruit.pose import find_stance
from truelobe.photo import Photo, read_photo
from truelobe.setting import grounded, looked_from, set_up

WHOLE = "the whole chain"
PLAIN = "plain reading, its bias taken out"
ROWS = (
    WHOLE,
    "true outline, calyx, stem",
    "true camera and plate height",
    "all of these true: the floor",
    "outline not moved onto the edge",
    "sizes from the outline alone",
    "no pepper network",
    PLAIN,
)
SIZES = ("diameter", "width seen", "length")
COUNTED = ("outline", "lobes and ends", "lobing")
TRUE_ERRORS = 0.01
Sizes = dict[str, float]


@dataclass(frozen=True)
class Pepper:
    """One pepper's sizes by every variant, mm, and whether two kinds of intervals hold the truth."""

    difficulty: str
    lies: bool
    true: Sizes
    read: dict[str, Sizes]
    inside: dict[str, tuple[bool, bool]]


@dataclass(frozen=True)
class _Camera:
    view: View
    errors: ViewErrors


def main() -> None:
    """Print the table of a folder of made plates."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        peppers = [one for plate in pool.map(measured, sorted(folder.glob("*.truth.json"))) for one in plate]
    print(f"Printed by: python -m tests.benchmarks.parts {folder}\n")
    print("\n".join(report(peppers)))


def measured(path: Path) -> list[Pepper]:
    """Return the clear peppers of one plate that are found without a doubt, moved onto the edge and not."""
    truth = read_truth(path)
    photo = read_photo(truth.photo)
    request = ruler_request(truth, told=False)
    sighting = find_card(photo)
    view = looked_from(photo, sighting, request)
    found = find_fruit(photo.pixels, (sighting.outline_px,))
    own = _Camera(view, grounded(set_up(photo, sighting, view, request), found).errors)
    given = _Camera(truth.view, ViewErrors({}, truth.floor_mm, TRUE_ERRORS))
    plain = _unmoved(photo, sighting)
    pairs, unmoved = _paired(truth, found), _paired(truth, plain)
    peppers = []
    for one in truth.peppers:
        both = pairs.get(one.number), unmoved.get(one.number)
        if one.hidden <= CLEAR and both[0] is not None and both[1] is not None and not both[0].doubtful:
            peppers.append(_by_every_way(truth, one, photo, both[0], both[1], own, given))
    return peppers


def _unmoved(photo: Photo, sighting: CardSighting) -> tuple[Silhouette, ...]:
    seen = glance(photo.pixels)
    if seen is None:
        raise FileNotFoundError("the outline network")
    maps = seen.barring((sighting.outline_px,))
    return outlined(photo.pixels, maps, group(maps), REFINEMENTS["none"])


def _paired(truth: PlateTruth, found: Sequence[Silhouette]) -> dict[int, Silhouette]:
    rings = [[ring.tolist() for ring in one.outline_px] for one in found]
    overlaps = np.array([[iou(one, outline) for outline in rings] for one in truth.peppers])
    return {truth.peppers[i].number: found[j] for i, j in match(overlaps).items()}


def _by_every_way(
    truth: PlateTruth,
    one: PepperTruth,
    photo: Photo,
    found: Silhouette,
    unmoved: Silhouette,
    own: _Camera,
    given: _Camera,
) -> Pepper:
    true = one.silhouette()
    bearing, at_true = read_bearing(photo.pixels, found), read_bearing(photo.pixels, true)
    cue = stem_cue(found)
    whole = _size(found, own, bearing)
    ways: list[Size | None] = [
        whole,
        _size(true, own, at_true),
        _size(found, given, bearing),
        _size(true, given, at_true),
        _size(unmoved, own, read_bearing(photo.pixels, unmoved)),
        _size(found, own, bearing, sizes_read=False),
        None if cue is None else _size(found, own, None),
    ]
    read = {name: _values(size) for name, size in zip(ROWS, ways, strict=False) if size is not None}
    read[PLAIN] = plain_reading(found.outline_px[0], one.axis(truth.view), own.view, own.errors.floor_mm)
    inside = {
        name: _inside(figure, one.sizes[name])
        for name, figure in (
            ("diameter", whole.diameter),
            ("width seen", whole.width_seen),
            ("length", whole.length),
        )
        if figure is not None
    }
    lies = one.pose == "lying" and all("length" in row for row in read.values())
    return Pepper(truth.difficulty, lies, {name: one.sizes[name] for name in SIZES}, read, inside)


def _size(silhouette: Silhouette, camera: _Camera, bearing: Bearing | None, *, sizes_read: bool = True) -> Size:
    stance = find_stance(silhouette, camera.view, camera.errors.floor_mm, bearing=bearing)
    return measure_size(stance.fit, camera.errors, bearing=bearing if sizes_read else None)


def _values(size: Size) -> Sizes:
    values = {"diameter": size.diameter.value, "width seen": size.width_seen.value}
    return values if size.length is None else values | {"length": size.length.value}


def plain_reading(
    outline_px: NDArray[np.float64], axis: NDArray[np.float64], view: View, floor_mm: float
) -> Sizes:
    """Extents of an outline (K, 2) along a known axis (3,) and across, on the plane through the pepper's middle.

    The plane faces the camera; there a ball of radius r at distance d shows r / sqrt(1 - (r / d) ** 2). The middle
    lies half a diameter above the plate.
    """
    outline = view.ideal(outline_px)
    middle = (outline.max(axis=0) + outline.min(axis=0)) / 2
    along = axis[:2] - axis[2] * middle
    along /= max(float(np.linalg.norm(along)), 1e-9)
    extents = np.ptp(outline @ np.stack([[-along[1], along[0]], along]).T, axis=0)
    pixel = view.distort(middle[None])
    width = 75.0
    for _ in range(5):
        distance = float(view.on_plane(pixel, floor_mm + width / 2)[0, 2])
        width = without_tangents(extents[0] * distance, distance)
    sight = np.append(middle, 1.0) / np.sqrt(1 + middle @ middle)
    shown = max(float(np.sqrt(1 - (axis @ sight) ** 2)), 0.5)
    return {
        "diameter": width,
        "width seen": width,
        "length": without_tangents(extents[1] * distance, distance) / shown,
    }


def without_tangents(extent: float, distance: float) -> float:
    """Return the size of a ball that shows this extent on the plane through its middle, both in mm."""
    return float(extent / np.sqrt(1 + (extent / 2 / distance) ** 2))


def _inside(figure: Figure, true: float) -> tuple[bool, bool]:
    """Whether the stated interval holds the truth, and whether one without what was counted of forms would."""
    low, high = figure.interval95
    rest = float(np.sqrt(sum(line.effect**2 for line in figure.budget if line.source not in COUNTED)))
    return low <= true <= high, abs(figure.value - true) <= 1.96 * rest


def report(peppers: Sequence[Pepper]) -> list[str]:
    """Return the table's lines."""
    lines = []
    for difficulty in DIFFICULTIES:
        chosen = [one for one in peppers if one.difficulty == difficulty]
        lying = [one for one in chosen if one.lies]
        if not lying:
            continue
        lines.append(f"{difficulty}: {len(chosen)} peppers, {len(lying)} of them lying; RMSE, mm")
        lines.append(f"{'':36}" + "".join(f"{name:>18}" for name in SIZES))
        for row in ROWS:
            errors = [_errors(lying if name == "length" else chosen, row, name) for name in SIZES]
            lines.append(f"  {row:34}" + "".join(f"{_rmse(one):12.2f} ({len(one):3})" for one in errors))
        for place, words in ((0, "95 % intervals hold"), (1, "without what was counted of forms")):
            shares = [_share(chosen, name, lambda pair, k=place: pair[k]) for name in SIZES]
            lines.append(f"  {words:34}" + "".join(f"{share:12.1%}      " for share in shares).rstrip())
        lines.append("")
    return lines


def _errors(peppers: Sequence[Pepper], row: str, name: str) -> NDArray[np.float64]:
    errors = np.array([one.read[row][name] - one.true[name] for one in peppers if row in one.read])
    return errors - errors.mean() if row == PLAIN else errors


def _rmse(errors: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(errors**2))) if errors.size else float("nan")


def _share(peppers: Sequence[Pepper], name: str, holds: Callable[[tuple[bool, bool]], bool]) -> float:
    held = [holds(one.inside[name]) for one in peppers if name in one.inside]
    return float(np.mean(held)) if held else float("nan")


if __name__ == "__main__":
    main()
