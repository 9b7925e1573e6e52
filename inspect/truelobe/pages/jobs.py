"""What a worker process does with a photo: measure it and draw the pictures, or make it ready to be kept.

Everything that goes in and comes out is plain data; nothing here knows Streamlit or the store's database.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from truelobe.inspection import inspect_photo, refused
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo
from truelobe.record import PepperRecord, PlateInspection
from truelobe.report import overlay
from truelobe.request import Request
from truelobe.store import PreparedPhoto, crop_box, prepare_photo

Box = tuple[int, int, int, int]

_EARLY_SIDE = 800
"""Longest side, px, of the early pictures: each stands for a second, and must be there soon."""


@dataclass(frozen=True)
class Early:
    """Something to look at before the measuring is done.

    Attributes
    ----------
    step : {"read", "outlined"}
    picture : bytes
        JPEG: the bare photo, then the photo with its outlines.
    found : int or None
        How many peppers are outlined.
    """

    step: Literal["read", "outlined"]
    picture: bytes
    found: int | None = None


@dataclass(frozen=True)
class Close:
    """One pepper close up: the annotated picture, the same without marks, and the part of the photo it shows."""

    marked: bytes
    bare: bytes
    box: Box


@dataclass(frozen=True)
class Pictures:
    """The pictures of a measured photo, as JPEG files."""

    marked: bytes
    bare: bytes
    close: Mapping[int, Close] = field(default_factory=dict)


@dataclass(frozen=True)
class Measured:
    """A measurement document and its pictures; `pictures` is None where the file is no picture."""

    document: Mapping[str, Any]
    pictures: Pictures | None


def measure(path: Path, name: str, request: Request, *, report: Callable[[Early], None]) -> Measured:
    """Measure a photo and draw its pictures.

    Parameters
    ----------
    path : Path
        The photo's file.
    name : str
        As the coach knows it.
    request : Request
    report : callable
        Gets the photo as soon as it is read, with a first look's outlines, and with the outlines that count.
    """
    try:
        photo = read_photo(path, name=name)
    except TruelobeError as error:
        return Measured(refused(error, name=name).document(), None)
    sketch = overlay.Sketch(photo.pixels, longest=_EARLY_SIDE)
    report(Early("read", overlay.as_jpeg(sketch.bare())))

    def outlined(outlines: Sequence[overlay.Points]) -> None:
        report(Early("outlined", overlay.as_jpeg(sketch.outlined(outlines)), len(outlines)))

    return _with_pictures(inspect_photo(photo, request, on_outlines=outlined), photo.pixels)


def _with_pictures(inspection: PlateInspection, pixels: overlay.Pixels) -> Measured:
    document = inspection.document()
    bare = overlay.as_jpeg(overlay.bare(pixels))
    skin = {p.silhouette.number: masks for p in inspection.peppers if (masks := skin_masks(p)) is not None}
    height, width = pixels.shape[:2]
    close = {
        pepper["number"]: Close(
            overlay.as_jpeg(overlay.draw_pepper(pixels, pepper, skin.get(pepper["number"]))),
            overlay.as_jpeg(overlay.bare_pepper(pixels, pepper)),
            overlay.crop_box(pepper, width, height),
        )
        for pepper in document["peppers"]
    }
    marked = overlay.as_jpeg(overlay.draw_plate(pixels, document, skin)) if close else bare
    return Measured(document, Pictures(marked, bare, close))


def skin_masks(pepper: PepperRecord) -> overlay.SkinMasks | None:
    """Return which skin of a measured pepper was counted, as the overlay takes it."""
    if pepper.counted is None or pepper.left_out is None:
        return None
    return overlay.SkinMasks(pepper.silhouette.box, pepper.counted, pepper.left_out)


def settled(future: Future[Measured], name: str) -> Measured:
    """Wait for a measurement; where the worker could not finish, return the refusal that says so."""
    try:
        return future.result()
    except TruelobeError as error:
        return Measured(refused(error, name=name).document(), None)


def prepare(path: Path, name: str, document: Mapping[str, Any] | None) -> PreparedPhoto:
    """Make a photo ready for the gallery, cut to plate and card where they are known."""
    source = path.read_bytes()
    return prepare_photo(source, crop_box(document), name=name)
