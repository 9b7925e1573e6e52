"""`truelobe measure`: photos in, measured plates out."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any, TextIO

from truelobe.card import load_layout, scale_from_bars
from truelobe.data import data_path
from truelobe.inspection import inspect_plate
from truelobe.messages import TruelobeError
from truelobe.record import PlateInspection, Status
from truelobe.report.words import towards_even
from truelobe.request import DEFAULT_LIMITS, Request
from truelobe.schema import check
from truelobe.units import give_or_take, inch_fraction, millimetres, percent

EXIT: dict[Status, int] = {"ok": 0, "flagged": 3, "refused": 4}


def add_measure(subparsers: Any) -> None:
    """Register the job."""
    layout = load_layout()
    parser = subparsers.add_parser(
        "measure",
        help="measure the peppers in photos of plates",
        description="Measure every pepper in photos of plates with the scale card. Exit status: 0 measured, "
        "3 flagged, 4 refused; the worst of several photos.",
        epilog="Practice aid, not an inspection. Wash hands before and after handling; practice produce is not "
        "eaten; grades belong to lots and only licensed inspectors certify them.",
    )
    parser.add_argument("photos", nargs="*", type=Path, metavar="PHOTO", help="JPEG, PNG, WebP, HEIC or AVIF")
    parser.add_argument("--sample", action="store_true", help="measure the first sample plate that is shipped")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write one document a line; - prints")
    parser.add_argument(
        "--bars",
        nargs=2,
        type=float,
        metavar=("ACROSS", "DOWN"),
        help=f"the printed card's two bars as a ruler shows them, nominally {layout.across.length_mm:g} and "
        f"{layout.down.length_mm:g} mm",
    )
    parser.add_argument("--bars-unit", choices=["mm", "in"], default="mm", help="unit of --bars (mm)")
    parser.add_argument(
        "--ruler", type=float, default=0.3, metavar="MM", help="standard uncertainty of the ruler reading (0.3 mm)"
    )
    parser.add_argument("--card-on", choices=["table", "plate"], help="where the card lies; left out: not said")
    parser.add_argument(
        "--plate-height", type=float, metavar="MM", help="height of the plate's floor above the card, measured"
    )
    parser.add_argument("--colour", "--color", metavar="WORD", help="the color the plate is shown as")
    parser.add_argument(
        "--threshold",
        type=float,
        default=15.0,
        metavar="PERCENT",
        help="house color rule: not fully colored must be under this (15; common practice, no published source)",
    )
    parser.add_argument("--level", type=float, default=0.95, help="probability from which a limit is met (0.95)")
    parser.add_argument("--line", type=float, default=0.5, help="ripeness that counts as fully colored (0.5)")
    parser.set_defaults(run=run, parser=parser)


def run(arguments: argparse.Namespace) -> int:
    """Measure, print and write; return the exit status."""
    photos = list(arguments.photos)
    if arguments.sample:
        photos.append(sorted(data_path("sample_images", "plates").glob("*.jpg"))[0])
    if not photos:
        arguments.parser.error("name a photo, or --sample")
    request = _request(arguments)
    status = 0
    out = _opened(arguments.json)
    try:
        for photo in photos:
            result = inspect_plate(photo, request, name=photo.name)
            document = result.document()
            check(document)
            status = max(status, EXIT[result.status])
            if out is not None:
                out.write(json.dumps(document, allow_nan=False) + "\n")
                out.flush()
            if out is not sys.stdout:
                _say(photo.name, result)
    finally:
        if out is not None and out is not sys.stdout:
            out.close()
    return status


def _opened(path: Path | None) -> TextIO | None:
    if path is None:
        return None
    if str(path) == "-":
        return sys.stdout
    try:
        return path.open("w", encoding="utf-8")
    except OSError as error:
        raise TruelobeError(
            "cannot-write", f"{path} cannot be written ({error.strerror}).", "Name another file with --json."
        ) from error


def _request(arguments: argparse.Namespace) -> Request:
    bars = None
    if arguments.bars is not None:
        across, down = (millimetres(x) if arguments.bars_unit == "in" else x for x in arguments.bars)
        bars = scale_from_bars(load_layout(), across, down, arguments.ruler)
    if not 0 < arguments.threshold < 100 or not 0.5 < arguments.level < 1 or not 0 < arguments.line < 1:
        arguments.parser.error("--threshold lies in 0 to 100, --level in 0.5 to 1, --line in 0 to 1")
    limits = tuple(
        limit
        if limit.quantity != "not_fully_coloured"
        else type(limit)(limit.rule, limit.quantity, arguments.threshold / 100, limit.unit, limit.sense)
        for limit in DEFAULT_LIMITS
    )
    return Request(
        bars=bars,
        card_place=arguments.card_on,
        plate_height_mm=arguments.plate_height,
        declared_colour=arguments.colour,
        line=arguments.line,
        level=arguments.level,
        limits=limits,
    )


def _say(name: str, result: PlateInspection) -> None:
    """Print what a coach wants to read: one line a pepper, then what to do."""
    print(f"{name}: {result.status}")
    for pepper in result.peppers:
        parts = [f"  {pepper.silhouette.number}  {pepper.colour or 'color not checked'}"]
        for word, figure in (("diameter", pepper.diameter), ("length", pepper.length)):
            if figure is None:
                parts.append(f"{word} not seen")
            else:
                metric = give_or_take(figure.value, figure.half_width)
                parts.append(f"{word} {inch_fraction(figure.value)} ({metric})")
        skin = pepper.not_fully_coloured
        if skin is not None:
            parts.append(
                f"not fully colored {percent(skin.value)} of the skin seen ({percent(max(skin.interval95[0], 0))} "
                f"to {percent(skin.interval95[1])})"
            )
        print("; ".join(parts))
        for decision, to_settle in pepper.decisions:
            limit = decision.limit
            if limit.value is None or (decision.basis == "whole" and limit.quantity == "not_fully_coloured"):
                continue
            shown = f"{limit.value:g} mm" if limit.unit == "mm" else percent(limit.value)
            met = decision.probability_met
            chance = "" if met is None else f" (probability {towards_even(met, 3):.3f})"
            settle = "" if to_settle is None else f" {to_settle}"
            quantity = limit.quantity.replace("_", " ").replace("coloured", "colored")
            print(f"       {limit.rule}, {quantity} {limit.sense} {shown}: {decision.outcome}{chance}.{settle}")
    said = [*result.messages, *(m for pepper in result.peppers for m in pepper.messages)]
    for message in said:
        print(f"  - {message.text} {message.what_to_do}")
    if result.peppers:
        print("  Practice aid, not an inspection. Size limits are the measured requirement, not a grade.")
