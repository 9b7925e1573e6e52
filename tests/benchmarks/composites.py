"""Our card in 20 real photographs: whether the whole chain holds on real skin, gloss and clutter.

The photographs are those that `calibration/outlines/real/README.md` cites; their check pictures have outlines
drawn by eye, and the 20 whose peppers are shown largest are taken (`laid_cards.py` lays the card). Nobody knows
how large these peppers were: the scale is chosen so that they would be 70 to 100 mm across. What can be checked is
whether the card is found where it was laid, and whether what follows is sound. A crash stops the benchmark.
"""

import multiprocessing
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from jsonschema import ValidationError
from numpy.typing import NDArray
from tests.benchmarks.accuracy import PROCESSES, match, ruler_scale
from tests.benchmarks.laid_cards import COUNT, Composite, compose, nearest_pictures, on_table
from tests.benchmarks.outlines import FOUND, overlap

from truelobe import schema
from truelobe.camera import Lens, View
from truelobe.fruit.silhouette import Polygon
from truelobe.inspection import inspect_plate
from truelobe.messages import TruelobeError
from truelobe.request import Request

Floats = NDArray[np.floating[Any]]
Row = dict[str, Any]
PLAUSIBLE_MM = (30.0, 200.0)


def run(photos: Path, count: int = COUNT, keep: Path | None = None) -> list[Row]:
    """Compose and inspect, and print a line for each; `keep` is a folder for the pictures."""
    if not (photos / "peppers").is_dir():
        raise TruelobeError(
            "no-photographs", f"No folder of real photographs at {photos}.", "Name it with --photos."
        )
    chosen = nearest_pictures(photos, count)
    rows: list[Row] = []
    # Fresh processes: OpenCV's threads do not survive a fork.
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        for row in pool.map(measure_picture, *zip(*chosen, strict=True), [keep] * len(chosen)):
            rows.append(row)
            print(f"{len(rows)} of {len(chosen)}: {row['picture']}", file=sys.stderr, flush=True)
    print(report(rows))
    return rows


def measure_picture(path: Path, by_eye: Sequence[Polygon], keep: Path | None = None) -> Row:
    """Compose and inspect one picture; keep the composite in a folder, if wanted."""
    one = compose(path, by_eye)
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        (keep / one.name).write_bytes(one.file)
    return inspect(one)


def inspect(one: Composite) -> Row:
    """Run the whole chain on a composite and lay what it says beside what is known."""
    document = inspect_plate(one.file, Request(bars=ruler_scale(one.bars_mm)), name=one.name).document()
    row: Row = {"picture": one.name, "surface": one.surface, "status": document["status"]}
    row |= {"codes": [message["code"] for message in document["messages"]], "fits_schema": _fits(document)}
    row |= {"card": _card_errors(one, document["made_by"])} if "camera" in document["made_by"] else {"card": None}
    seen = document["peppers"]
    overlaps = np.array([[overlap([ring], _rings(p)) for p in seen] for ring in one.by_eye])
    pairs = {i: j for i, j in match(overlaps).items() if overlaps[i, j] >= FOUND}
    row |= {"by_eye": len(one.by_eye), "found": len(pairs), "reported": len(seen)}
    row["iou"] = [float(overlaps[i, j]) for i, j in pairs.items()]
    row["on_worktop"] = sum(not _within(p["centre_px"], one.shown) for p in seen)
    measured = [p for p in seen if p["diameter_mm"] is not None]
    row["sizes_mm"] = [
        p[name]["value"] for p in measured for name in ("diameter_mm", "length_mm") if p[name] is not None
    ]
    row["against_scale"] = [
        seen[j]["width_seen_mm"]["value"] / _breadth_mm(one, one.by_eye[i])
        for i, j in pairs.items()
        if seen[j]["width_seen_mm"] is not None
    ]
    return row


def _rings(pepper: dict[str, Any]) -> list[Polygon]:
    return [np.asarray(ring, np.float64) for ring in pepper["outline_px"]]


def _fits(document: dict[str, Any]) -> bool:
    try:
        schema.check(document)
    except ValidationError:
        return False
    return True


def _within(point: Sequence[float], box: Sequence[int]) -> bool:
    return box[0] <= point[0] < box[2] and box[1] <= point[1] < box[3]


def _card_errors(one: Composite, made_by: dict[str, Any]) -> Row:
    """How far the card's outline lies from where it was drawn, and how far the recovered camera is off."""
    outline = np.asarray(made_by["card"]["outline_px"]) - one.card_px
    said, true = made_by["camera"], one.view()
    matrix, bent = np.array(said["matrix"]), said["distortion"]
    lens = Lens(matrix[0, 0], matrix[0, 2], matrix[1, 2], bent[0], bent[1], 0.001, "profile")
    view = View(lens, np.array(said["rotation"]), np.array(said["translation_mm"]))
    shares = np.stack(np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 7)), -1).reshape(-1, 2)
    points = np.column_stack([shares * one.card_size_mm, np.zeros(len(shares))])
    return {
        "outline_px": _rms(outline),
        "camera_px": _rms(view.project(points) - true.project(points)),
        "tilt_deg": true.tilt_deg,
        "tilt_off_deg": view.tilt_deg - true.tilt_deg,
        "height_off": view.height_mm / true.height_mm - 1,
        "width_px": float(np.linalg.norm(one.card_px[1] - one.card_px[0])),
    }


def _rms(away: Floats) -> float:
    return float(np.sqrt((away**2).sum(axis=-1).mean()))


def _breadth_mm(one: Composite, ring: Polygon) -> float:
    """Least width of an outline as if it lay flat on the card's plane."""
    flat = on_table(one.camera, ring)
    angle = np.linspace(0, np.pi, 180, endpoint=False)
    return float(np.ptp(flat @ np.stack([np.cos(angle), np.sin(angle)]), axis=0).min())


def report(rows: Sequence[Row]) -> str:
    """Return the table."""
    low, high = PLAUSIBLE_MM
    lines = [
        f"Our card, printed by the simulated printer, laid into {len(rows)} real photographs beside the peppers.",
        "How large these peppers were is not known, so no error in mm can be given.",
        "No real plate of known size has been measured yet.",
        "Card: how far it is from where it was drawn, root mean square, px: its corners, and its whole plane",
        "through the recovered camera; the true tilt, and how far the recovered one is off, degrees.",
        f"By eye: peppers outlined by hand, found where half of both overlap (IoU {FOUND:g}). Elsewhere: what",
        "was taken for a pepper on worktop or card.",
        f"Sizes: diameters and lengths given, how many lie in {low:g} to {high:g} mm. Ratio: the width seen over",
        "the hand outline's breadth at the card's scale; near 0.9, for a pepper's rim is nearer than the card.",
        "",
        f"{'picture':32}{'status':>8}{'card px':>8}{'corners':>8}{'camera':>7}{'tilt':>6}{'off':>6}"
        f"{'by eye':>8}{'IoU':>6}{'all':>4}{'elsewhere':>10}{'sizes':>9}{'mm':>9}{'ratio':>6}{'schema':>7}",
    ]
    lines += [_line(row) for row in rows]
    return "\n".join([*lines, "", *_summary(rows)])


def _line(row: Row) -> str:
    card = row["card"]
    if card:
        said = (
            f"{card['width_px']:8.0f}{card['outline_px']:8.2f}{card['camera_px']:7.2f}{card['tilt_deg']:6.1f}"
            f"{card['tilt_off_deg']:6.1f}"
        )
    else:
        said = f"{'not found: ' + row['codes'][-1]:>35}"
    iou = f"{np.mean(row['iou']):6.2f}" if row["iou"] else f"{'':6}"
    sizes = row["sizes_mm"]
    span = f"{min(sizes):.0f}-{max(sizes):.0f}" if sizes else ""
    ratio = f"{np.median(row['against_scale']):6.2f}" if row["against_scale"] else f"{'':6}"
    return (
        f"{row['picture'].removesuffix('.jpg'):32}{row['status']:>8}{said}{row['found']:>4} of {row['by_eye']}"
        f"{iou}{row['reported']:4}{row['on_worktop']:10}{plausible(sizes):>4} of {len(sizes):2}{span:>9}{ratio}"
        f"{'fits' if row['fits_schema'] else 'NO':>7}"
    )


def plausible(sizes: Sequence[float]) -> int:
    """How many sizes a sweet pepper could have."""
    return sum(PLAUSIBLE_MM[0] <= one <= PLAUSIBLE_MM[1] for one in sizes)


def _summary(rows: Sequence[Row]) -> list[str]:
    cards = [row["card"] for row in rows if row["card"]]
    corners, camera = ([card[name] for card in cards] for name in ("outline_px", "camera_px"))
    sizes, iou, ratio = (
        [one for row in rows for one in row[name]] for name in ("sizes_mm", "iou", "against_scale")
    )
    found, by_eye, elsewhere, fitting = (
        sum(row[name] for row in rows) for name in ("found", "by_eye", "on_worktop", "fits_schema")
    )
    codes = Counter(code for row in rows for code in row["codes"]).most_common()
    return [
        f"Card found in {len(cards)} of {len(rows)}; its corners, px off: {_spread(corners)};",
        f"its plane through the recovered camera: {_spread(camera)}.",
        f"Peppers outlined by eye found: {found} of {by_eye}; IoU: {_spread(iou)}.",
        f"Taken for peppers on worktop or card: {elsewhere}.",
        f"Sizes in range: {plausible(sizes)} of {len(sizes)}; ratio: {_spread(ratio)}.",
        f"Documents that fit the schema: {fitting} of {len(rows)}.",
        "Messages: " + ", ".join(f"{code} {count}" for code, count in codes),
    ]


def _spread(values: Sequence[float]) -> str:
    if not values:
        return "none"
    return f"{np.median(values):.2f} (median), {min(values):.2f} to {max(values):.2f}"
