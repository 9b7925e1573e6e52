"""How well peppers are found and outlined: run it with `python -m tests.benchmarks.outlines`.

`plates FOLDER` takes path-traced plates (a photo beside its `.truth.json`), `real FOLDER` the open photographs
that `calibration/outlines/real/README.md` cites (folders `peppers` and `other_produce`; check pictures only), and
`speed PHOTO` times the whole outlining beside decoding the same file. A pepper counts as found when an outline
overlaps it by half of their union.
"""

import argparse
import dataclasses
import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image
from scipy import ndimage
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parents[2] / "inspect"))

from tests.benchmarks.truths import MOST_TOWARDS_CAMERA

from truelobe.data import data_path
from truelobe.fruit import find_fruit, model_name
from truelobe.fruit.finder import outlined
from truelobe.fruit.grouping import group
from truelobe.fruit.network import look
from truelobe.fruit.refine import Edge, evenly_spaced, snapped
from truelobe.fruit.silhouette import Polygon, Silhouette, area, contours, filled

FOUND = 0.5
Refine = Callable[[Polygon, np.ndarray, np.ndarray, float], Edge]


@dataclasses.dataclass(frozen=True)
class Match:
    """A true pepper and what was found of it; figures are NaN where nothing was."""

    group: str
    found: bool
    doubtful: bool
    score: float
    iou: float
    boundary_px: float
    boundary_bias_px: float
    direction_off_deg: float
    hidden: float
    hidden_found: float


@dataclasses.dataclass(frozen=True)
class Picture:
    """A picture's matches, and the silhouettes that are no pepper of it."""

    name: str
    group: str
    matches: tuple[Match, ...]
    false: tuple[Silhouette, ...]
    count_right: bool


# Refinements to compare


def unrefined(ring: Polygon, lab: np.ndarray, other: np.ndarray, network_px: float) -> Edge:
    """The network's outline as it is."""
    start = evenly_spaced(ring)
    return Edge(start, np.ones(len(start)), False)


def grab_cut(ring: Polygon, lab: np.ndarray, other: np.ndarray, network_px: float) -> Edge:
    """GrabCut (Rother, Kolmogorov & Blake 2004) in a band of 1.3 network pixels round the network's outline."""
    height, width = lab.shape[:2]
    inside = filled([ring], (0, 0, width, height))
    depth = ndimage.distance_transform_edt(inside) - ndimage.distance_transform_edt(~inside)
    band = 1.3 * network_px
    state = np.where(inside, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    state[depth > band] = cv2.GC_FGD
    state[(depth < -band) | (other > 0.5)] = cv2.GC_BGD
    if (state == cv2.GC_FGD).sum() < 50 or (state == cv2.GC_BGD).sum() < 50:
        return unrefined(ring, lab, other, network_px)
    picture = np.clip(lab * [2.55, 1, 1] + [0, 128, 128], 0, 255).astype(np.uint8)
    models = np.zeros((2, 1, 65))
    cv2.grabCut(picture, state, (0, 0, 0, 0), models[0], models[1], 2, cv2.GC_INIT_WITH_MASK)
    cut = ((state == cv2.GC_FGD) | (state == cv2.GC_PR_FGD)).astype(np.float32)
    rings = contours(ndimage.gaussian_filter(cut, 1.0), 0.5)
    if not rings or abs(area(rings[0]) / area(ring) - 1) > 0.1:
        return unrefined(ring, lab, other, network_px)
    start = evenly_spaced(rings[0])
    return Edge(start, np.ones(len(start)), True)


REFINEMENTS: dict[str, Refine] = {"none": unrefined, "snap": snapped, "grabcut": grab_cut}


# Truth and matching


def rings_of(polygons: Sequence[Any] | None) -> tuple[Polygon, ...]:
    return tuple(np.asarray(ring, np.float64) for ring in polygons or ())


def overlap(first: Sequence[Polygon], second: Sequence[Polygon]) -> float:
    """Intersection over union of two sets of polygons."""
    lows, highs = zip(*((np.min(np.vstack(r), 0), np.max(np.vstack(r), 0)) for r in (first, second)), strict=True)
    if (np.maximum(*lows) >= np.minimum(*highs)).any():
        return 0.0
    points = np.concatenate([*first, *second])
    low, high = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int) + 1
    fine = 4 if max(high - low) < 200 else 1  # small fruits on a finer grid, so that the pixel does not decide
    box = (0, 0, int(high[0] - low[0]) * fine, int(high[1] - low[1]) * fine)
    one, other = (filled([(ring - low + 0.5) * fine - 0.5 for ring in rings], box) for rings in (first, second))
    union = np.count_nonzero(one | other)
    return np.count_nonzero(one & other) / union if union else 0.0


def outline_distance(found: Polygon, true: Polygon) -> tuple[float, float]:
    """Mean distance of two outlines, both ways, and the mean signed one (positive: found lies outside)."""
    found, true = evenly_spaced(found, 0.5), evenly_spaced(true, 0.5)
    away, back = cKDTree(true).query(found)[0], cKDTree(found).query(true)[0]
    tangent = np.roll(true, -1, axis=0) - np.roll(true, 1, axis=0)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], -1) * np.sign(area(true))
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    nearest = cKDTree(true).query(found)[1]
    signed = ((found - true[nearest]) * normal[nearest]).sum(axis=1)
    return float((away.mean() + back.mean()) / 2), float(signed.mean())


def stem_direction(one: Silhouette) -> np.ndarray | None:
    """From the body's middle towards stem and calyx."""
    mask = one.stem | one.calyx
    if not mask.any():
        return None
    head = np.array(ndimage.center_of_mass(mask))[::-1]
    return head - np.array(ndimage.center_of_mass(one.body))[::-1]


def angle_between(one: np.ndarray, other: np.ndarray) -> float:
    cosine = np.dot(one, other) / max(np.hypot(*one) * np.hypot(*other), 1e-9)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


@dataclasses.dataclass(frozen=True)
class Truth:
    group: str
    outline: tuple[Polygon, ...]
    direction: np.ndarray | None
    hidden: float


def matched(truths: Sequence[Truth], found: Sequence[Silhouette]) -> tuple[tuple[Match, ...], list[Silhouette]]:
    """Pair true and found peppers for the largest sum of overlaps."""
    ious = np.zeros((len(truths), len(found)))
    for row, truth in enumerate(truths):
        for column, one in enumerate(found):
            ious[row, column] = overlap(truth.outline, one.outline_px)
    rows, columns = linear_sum_assignment(-ious)
    partner = {int(r): int(c) for r, c in zip(rows, columns, strict=True) if ious[r, c] >= FOUND}
    left = [one for column, one in enumerate(found) if column not in partner.values()]
    return tuple(_match(truth, found, partner.get(row), ious[row]) for row, truth in enumerate(truths)), left


def _match(truth: Truth, found: Sequence[Silhouette], partner: int | None, ious: np.ndarray) -> Match:
    nan = float("nan")
    if partner is None:
        best = float(ious.max(initial=0.0))
        return Match(truth.group, False, False, nan, best, nan, nan, nan, truth.hidden, nan)
    one = found[partner]
    away, bias = outline_distance(max(one.outline_px, key=lambda r: abs(area(r))), truth.outline[0])
    pointing = stem_direction(one)
    known = pointing is not None and truth.direction is not None
    off = angle_between(pointing, truth.direction) if known else nan
    return Match(
        truth.group,
        True,
        one.doubtful,
        one.score,
        float(ious[partner]),
        away,
        bias,
        off,
        truth.hidden,
        one.hidden_fraction,
    )


# Plates


def card_outline(truth: dict[str, Any]) -> Polygon:
    """The card's true outline in the photo."""
    camera, (width, height) = truth["camera"], truth["card"]["size_mm"]
    corners = np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0]], np.float64)
    turn = cv2.Rodrigues(np.array(camera["rotation"]))[0]
    shift, matrix = np.array(camera["translation"], np.float64), np.array(camera["matrix"])
    placed = cv2.projectPoints(corners, turn, shift, matrix, np.array(camera["distortion"]))[0]
    return np.asarray(placed, np.float64).reshape(-1, 2)


def plate_truth(pepper: dict[str, Any], difficulty: str) -> Truth:
    blossom, stem = np.array(pepper["axis_px"], np.float64)
    lying = abs(pepper["axis_towards_camera_deg"]) <= MOST_TOWARDS_CAMERA
    outline = tuple(sorted(rings_of(pepper["outline_px"]), key=lambda ring: -abs(area(ring))))
    return Truth(difficulty, outline, stem - blossom if lying else None, pepper["hidden_fraction"])


def plates(folder: Path, model: Path | None, refine: Refine) -> Iterator[Picture]:
    for path in sorted(folder.glob("*.truth.json")):
        truth = json.loads(path.read_text())
        pixels = np.asarray(Image.open(path.with_name(path.name.replace(".truth.json", ".jpg"))).convert("RGB"))
        maps = look(pixels, (card_outline(truth),), model)
        found = outlined(pixels, maps, group(maps), refine=refine)
        truths = [plate_truth(pepper, truth["difficulty"]) for pepper in truth["peppers"]]
        matches, false = matched(truths, found)
        yield Picture(path.name, truth["difficulty"], matches, tuple(false), len(found) == len(truths))


# Real photographs


def real(folder: Path, model: Path | None, refine: Refine) -> Iterator[Picture]:
    kept = data_path("calibration", "outlines", "real")
    fruits = json.loads((kept / "outlines.json").read_text())["fruits"]
    split = json.loads((kept / "split.json").read_text())
    for kind in ("peppers", "other_produce"):
        for name in split[kind]["check"]:
            pixels = np.asarray(Image.open(folder / kind / name).convert("RGB"))
            maps = look(pixels, (), model)
            found = outlined(pixels, maps, group(maps), refine=refine)
            truths = [_real_truth(fruit) for fruit in fruits if fruit["picture"] == name]
            matches, left = matched(truths, found)
            # On pictures of peppers not every pepper is outlined by hand, so what is left over is not false.
            yield Picture(name, kind, matches, tuple(left) if kind == "other_produce" else (), not left)


def _real_truth(fruit: dict[str, Any]) -> Truth:
    outline = np.asarray(fruit["polygon"], np.float64)
    end = None if fruit["stem_end"] is None else np.asarray(fruit["stem_end"], np.float64) - outline.mean(axis=0)
    return Truth(fruit["colour"], (outline,), end, float("nan"))


# Tables


def table(pictures: Sequence[Picture], groups: Sequence[str]) -> None:
    print(
        f"{'':14}{'count right':>12}{'found':>10}{'sure':>10}{'false':>7}{'sure':>6}"
        f"{'IoU mean':>10}{'median':>8}{'lowest':>8}{'edge px':>9}{'median':>8}{'bias':>7}"
        f"{'stem end':>10}{'<= 20 deg':>11}"
    )
    for name in (*groups, "all"):
        chosen = [p for p in pictures if name in ("all", p.group)]
        matches = [m for p in pictures for m in p.matches if name in ("all", m.group)]
        if not matches:
            continue
        found = [m for m in matches if m.found]
        right = f"{sum(p.count_right for p in chosen)}/{len(chosen)}" if chosen else ""
        false = [one for p in chosen for one in p.false]
        iou = np.array([m.iou for m in found])
        edge = np.array([m.boundary_px for m in found])
        off = np.array([m.direction_off_deg for m in found])
        off = off[np.isfinite(off)]
        print(
            f"{name:14}{right:>12}{f'{len(found)}/{len(matches)}':>10}{sum(not m.doubtful for m in found):>10}"
            f"{len(false):>7}{sum(not one.doubtful for one in false):>6}"
            f"{iou.mean():>10.4f}{np.median(iou):>8.4f}{iou.min():>8.3f}{edge.mean():>9.2f}{np.median(edge):>8.2f}"
            f"{np.mean([m.boundary_bias_px for m in found]):>7.2f}{np.median(off):>8.1f} d"
            f"{f'{np.count_nonzero(off <= 20)}/{len(off)}':>11}"
        )


def curve(pictures: Sequence[Picture]) -> None:
    """Peppers kept against false ones, over the lowest score of an outline that is not doubtful."""
    matches = [m for p in pictures for m in p.matches]
    false = [one for p in pictures for one in p.false]
    produce = sum(p.group == "other_produce" for p in pictures)
    print("score from   peppers found and sure   false a picture of other produce")
    for score in (0.0, 0.7, 0.75, 0.8, 0.84, 0.88, 0.9, 0.92, 0.94, 0.96):
        kept = np.mean([m.found and m.score >= score for m in matches])
        print(f"{score:10.2f}{kept:25.3f}{sum(one.score >= score for one in false) / max(produce, 1):35.2f}")


def speed(photo: Path, repeats: int = 5) -> None:
    """Processor time of outlining as a multiple of decoding the same file in the same process."""
    cv2.setNumThreads(1)
    decode, outline = [], []
    for _ in range(repeats):
        start = time.process_time()
        pixels = np.asarray(Image.open(photo).convert("RGB"))
        middle = time.process_time()
        found = find_fruit(pixels)
        decode.append(middle - start)
        outline.append(time.process_time() - middle)
    low, high = min(decode), min(outline[1:])
    print(
        f"{photo.name}: {pixels.shape[1]} x {pixels.shape[0]}, {len(found)} peppers; decoding {low:.3f} s, "
        f"outlining {high:.3f} s of processor time, {high / low:.1f} x decoding"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("job", choices=("plates", "real", "speed"))
    parser.add_argument("where", type=Path, nargs="+")
    parser.add_argument("--model", type=Path, help="another network than the one shipped")
    parser.add_argument("--refine", choices=REFINEMENTS, default="snap")
    parser.add_argument("--list", action="store_true", help="name what was missed and what is false")
    options = parser.parse_args()
    print(f"{options.model or model_name()}, OpenCV {cv2.__version__}, refinement {options.refine}")
    for where in options.where:
        if options.job == "speed":
            speed(where)
            continue
        job = plates if options.job == "plates" else real
        pictures = list(job(where, options.model, REFINEMENTS[options.refine]))
        groups = ("easy", "normal", "hard") if options.job == "plates" else ("green", "orange", "red", "yellow")
        table(pictures, (*groups, "other_produce"))
        if options.job == "real":
            wrong = [one for p in pictures for one in p.false]
            number = sum(p.group == "other_produce" for p in pictures)
            sure = sum(not one.doubtful for one in wrong)
            print(f"false on {number} pictures of other produce: {len(wrong)}, of them not doubtful {sure}")
            curve(pictures)
        for picture in pictures if options.list else ():
            missed = [(round(m.iou, 2), round(m.hidden, 2)) for m in picture.matches if not m.found]
            false = [(one.centre_px.round().tolist(), round(one.score, 2), one.doubtful) for one in picture.false]
            if missed or false:
                print(f"  {picture.name}: missed {missed}, false {false}")


if __name__ == "__main__":
    main()
