"""`truelobe outline`: outlines of the peppers alone, in pixels, for photos without a card."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from truelobe import __version__
from truelobe.fruit.finder import find_fruit, model_name
from truelobe.fruit.silhouette import Polygon, Silhouette
from truelobe.messages import Message, TruelobeError
from truelobe.photo import Photo, read_photo

_EXIT = {"ok": 0, "flagged": 3, "refused": 4}
_DIGITS = 2


def add_outline(subparsers: Any) -> None:
    """Register the job.

    Parameters
    ----------
    subparsers : argparse subparsers action
    """
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "outline",
        help="outline the peppers of photos, in pixels only",
        description="Outline the peppers of photos without a scale card: pixels only, no millimeters. Several "
        "photos give one document a line. Exit status: 0 outlined, 3 flagged, 4 refused, the worst of several.",
    )
    parser.add_argument("photos", nargs="+", type=Path, metavar="PHOTO")
    parser.add_argument("--json", type=Path, metavar="FILE", help="where the documents go (else to the screen)")
    parser.set_defaults(run=run_outline)


def run_outline(arguments: argparse.Namespace) -> int:
    """Write one document per photo; return the worst exit status.

    Raises
    ------
    TruelobeError
        ``cannot-write`` when the file cannot be written.
    """
    documents = [outline_document(path) for path in arguments.photos]
    lines = "".join(json.dumps(document, separators=(",", ":")) + "\n" for document in documents)
    if arguments.json is None:
        sys.stdout.write(lines)
    else:
        try:
            arguments.json.write_text(lines, encoding="utf-8")
        except OSError as error:
            raise TruelobeError(
                "cannot-write", f"The file {arguments.json} can't be written.", "Choose another folder."
            ) from error
    for path, document in zip(arguments.photos, documents, strict=True):
        print(_in_words(path.name, document), file=sys.stderr)
    return max(_EXIT[document["status"]] for document in documents)


def outline_document(source: Path) -> dict[str, Any]:
    """Outline one photo; a photo that can't be read gives a refused document.

    Parameters
    ----------
    source : Path
        The photo's file.
    """
    try:
        photo = read_photo(source)
    except TruelobeError as error:
        return _document(None, source.name, [error.message], ())
    found = find_fruit(photo.pixels)
    messages = list(photo.messages)
    if not found:
        messages.append(_NO_PEPPER)
    messages += _doubts(found)
    return _document(photo, source.name, messages, found)


_NO_PEPPER = Message(
    "no-pepper", "No pepper was found in this photo.", "Take the photo from nearer, with the whole plate in it."
)


def _doubts(found: Sequence[Silhouette]) -> list[Message]:
    said = []
    doubtful = _numbers(one for one in found if one.doubtful)
    if doubtful:
        said.append(
            Message("doubtful-outline", f"Not sure of outline {doubtful}.", "Check them on the picture by eye.")
        )
    cut_off = _numbers(one for one in found if one.cut_off)
    if cut_off:
        said.append(
            Message(
                "outline-cut-off",
                f"The photo's edge cuts off outline {cut_off}.",
                "Step back until the whole pepper is in the picture.",
            )
        )
    return said


def _numbers(some: Iterable[Silhouette]) -> str:
    return ", ".join(str(one.number) for one in some)


def _document(
    photo: Photo | None, name: str, messages: Sequence[Message], found: Sequence[Silhouette]
) -> dict[str, Any]:
    refused = photo is None
    flagged = any(message.severity == "flag" for message in messages)
    return {
        "schema": 1,
        "status": "refused" if refused else "flagged" if flagged else "ok",
        "messages": [message.document() for message in messages],
        "photo": {
            "name": name,
            "width_px": None if photo is None else int(photo.pixels.shape[1]),
            "height_px": None if photo is None else int(photo.pixels.shape[0]),
            "sha256": None if photo is None else photo.sha256,
            "focal_source": None,
        },
        "made_by": {"tool": f"truelobe {__version__}", "model": model_name()},
        "peppers": [_pepper(one) for one in found],
    }


def _pepper(one: Silhouette) -> dict[str, Any]:
    return {
        "number": one.number,
        "centre_px": _rounded(one.centre_px),
        "outline_px": _polygons(one.outline_px),
        "stem_px": _polygons(one.stem_px) or None,
        "doubtful": one.doubtful,
    }


def _polygons(rings: Sequence[Polygon]) -> list[Any]:
    return [_rounded(ring) for ring in rings]


def _rounded(array: NDArray[Any]) -> Any:
    return array.round(_DIGITS).tolist()


def _in_words(name: str, document: dict[str, Any]) -> str:
    count = len(document["peppers"])
    said = "; ".join(message["text"] for message in document["messages"])
    number = "1 pepper" if count == 1 else f"{count} peppers"
    return f"{name}: {number}{'. ' + said if said else ''}"
