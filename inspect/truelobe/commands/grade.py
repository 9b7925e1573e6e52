"""`truelobe grade`: measured plates and hand facts in, what they meet and the sheet to print out."""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from jsonschema import ValidationError

from truelobe import schema
from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.plate import PlateGrade, Setting, grade_plate
from truelobe.grading.rule_set import SHIPPED, RuleSet, load_rule_set
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo
from truelobe.report.overlay import as_jpeg, draw_plate
from truelobe.report.sheet import PlateSheet, class_sheet, plate_sheet
from truelobe.report.workbook import class_xlsx, graded_csv, graded_xlsx


def add_grade(subparsers: Any) -> None:
    """Register the job."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "grade",
        help="hold measured plates against a set of rules",
        description="Hold measured plates (documents of `truelobe measure --json`, one a line) and facts recorded "
        "by hand against a set of rules: which requirements each pepper meets, and what stands between it and the "
        "next grade up.",
        epilog="Practice aid, not an inspection. A grade belongs to a lot.",
    )
    parser.add_argument("measured", type=Path, metavar="FILE", help="measurement documents, one a line")
    parser.add_argument("--facts", type=Path, metavar="FILE", help="hand facts (hand-facts-1), one a line")
    parser.add_argument(
        "--rules", default=SHIPPED[0], metavar="SET", help=f"{', '.join(SHIPPED)}, or a file ({SHIPPED[0]})"
    )
    parser.add_argument("--house", default="house-rules", metavar="SET", help="house rules, or a file")
    parser.add_argument("--color", "--colour", metavar="WORD", help="the color the plates are called, or mixed")
    parser.add_argument("--type", metavar="WORD", help="type of pepper, for sets whose limits depend on it")
    parser.add_argument("--wanted", type=int, default=5, choices=range(2, 7), help="peppers the show asks for (5)")
    parser.add_argument("--level", type=float, default=0.95, help="probability from which a limit is met (0.95)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write one grade a line; - for standard output")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="write a page to print (PDF)")
    parser.add_argument(
        "--picture",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="photo of a plate, in order; numbered on the sheet",
    )
    parser.add_argument("--xlsx", type=Path, metavar="FILE", help="write a workbook")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="write every outcome (one plate)")
    parser.add_argument("--paper", choices=["Letter", "A4"], default="Letter", help="paper of the sheet (Letter)")
    parser.set_defaults(run=run_grade)


def run_grade(arguments: argparse.Namespace) -> int:
    """Judge the plates and write what was asked for.

    Raises
    ------
    TruelobeError
        ``file-unreadable``, ``document-unreadable`` and those of the rooms below.
    """
    if not 0.5 < arguments.level < 1:
        raise TruelobeError("level-wrong", "The level lies between 0.5 and 1.", "Give --level 0.95, for example.")
    rules, house = load_rule_set(arguments.rules), load_rule_set(arguments.house)
    setting = Setting(arguments.color, arguments.type, arguments.wanted, arguments.level)
    documents = _documents(arguments.measured, "inspection-1")
    recorded = _documents(arguments.facts, "hand-facts-1") if arguments.facts else []
    facts = [HandFacts.from_document(document) for document in recorded]
    facts += [HandFacts()] * (len(documents) - len(facts))
    pictures = [_numbered(_read(path), one) for path, one in zip(arguments.picture, documents, strict=False)]
    pictures += [b""] * (len(documents) - len(pictures))
    sheets = [
        _sheet(document, hand, picture, rules, house, setting)
        for document, hand, picture in zip(documents, facts, pictures, strict=False)
    ]
    said = sys.stderr if arguments.json == Path("-") else sys.stdout
    for sheet in sheets:
        print(f"{sheet.title}: {sheet.graded.answer}", file=said)
    _write(arguments, sheets)
    return 0


def _sheet(
    document: dict[str, Any], hand: HandFacts, picture: bytes, rules: RuleSet, house: RuleSet, setting: Setting
) -> PlateSheet:
    graded: PlateGrade = grade_plate(document, hand, rules, setting, house=house)
    title = str(document["photo"].get("name") or "Plate").rsplit(".", 1)[0]
    today = date.today()
    by_house = grade_plate(document, hand, house, setting, house=house)
    return PlateSheet(title, picture, document, graded, hand, today, today, by_house)


def _numbered(picture: bytes, document: dict[str, Any]) -> bytes:
    """Draw the peppers' outlines and numbers on the photo that was measured; any other picture stays as it is."""
    if hashlib.sha256(picture).hexdigest() != document["photo"].get("sha256"):
        return picture
    return as_jpeg(draw_plate(read_photo(picture).pixels, document))


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise TruelobeError("file-unreadable", f"{path} can't be read.", "Check its name and place.") from error


def _documents(path: Path, name: str) -> list[dict[str, Any]]:
    """Read documents, one a line, and hold each against its schema."""
    try:
        text = _read(path).decode("utf-8")
        documents = [json.loads(line) for line in text.splitlines() if line.strip()]
        for document in documents:
            schema.check(document, name)
    except (ValueError, ValidationError) as error:
        raise TruelobeError(
            "document-unreadable", f"{path} holds no documents of the form {name}.", "Make it with this tool."
        ) from error
    return documents


def _write(arguments: argparse.Namespace, sheets: Sequence[PlateSheet]) -> None:
    if arguments.json:
        lines = "".join(json.dumps(sheet.graded.document(), ensure_ascii=False) + "\n" for sheet in sheets)
        if arguments.json == Path("-"):
            sys.stdout.write(lines)
        else:
            _save(arguments.json, lines.encode())
    if arguments.sheet and sheets:
        one = len(sheets) == 1
        _save(
            arguments.sheet,
            plate_sheet(sheets[0], arguments.paper) if one else class_sheet("Class", sheets[:4], arguments.paper),
        )
    if arguments.xlsx and sheets:
        _save(arguments.xlsx, graded_xlsx(sheets[0]) if len(sheets) == 1 else class_xlsx(sheets))
    if arguments.csv and sheets:
        _save(arguments.csv, graded_csv(sheets[0]).encode())


def _save(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise TruelobeError("file-not-written", f"{path} can't be written.", "Choose another place.") from error
