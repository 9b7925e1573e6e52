"""What came out: one record per pepper, one per plate, and the document both become."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from truelobe.figures import Figure
from truelobe.fruit.axis import Pose
from truelobe.fruit.silhouette import Polygon, Silhouette
from truelobe.grading import Decision
from truelobe.grading.blemish import Blemish
from truelobe.grading.shape import ShapeEvidence
from truelobe.grading.spots import Spot
from truelobe.messages import Message

Status = Literal["ok", "flagged", "refused"]
Mask = NDArray[np.bool_]
Document = dict[str, Any]


@dataclass(frozen=True)
class AxisSeen:
    """The axis in the picture: stem end and blossom end in px, its standard uncertainty in degrees."""

    stem_end: tuple[float, float]
    blossom_end: tuple[float, float]
    u_deg: float
    unsure: bool

    def document(self) -> Document:
        """Return the axis as plain data."""
        return {
            "stem_end": _rounded(self.stem_end),
            "blossom_end": _rounded(self.blossom_end),
            "standard_uncertainty_deg": round(self.u_deg, 2),
            "unsure": self.unsure,
        }


@dataclass(frozen=True)
class PepperRecord:
    """One pepper, measured.

    Attributes
    ----------
    counted, left_out : bool, shape (h, w), or None
        Over the silhouette's box: skin counted as not fully coloured, and skin left out of the fraction.
    by_photo : mapping
        The photo's own figures where a hand measurement decides in their place.
    blemishes : tuple of Blemish
        Areas the coach marked on the picture.
    shape : ShapeEvidence or None
    spots : tuple of Spot
        Places worth a look, in px of the photo; they count for nothing.
    other_colour : str or None
        What the pepper may be instead, so that one tap can say which.
    """

    silhouette: Silhouette
    pose: Pose
    axis: AxisSeen
    colour: str | None
    diameter: Figure | None
    width_seen: Figure | None
    length: Figure | None
    not_fully_coloured: Figure | None
    skin_seen: float | None
    decisions: tuple[tuple[Decision, str | None], ...]
    messages: tuple[Message, ...] = ()
    other_reading: tuple[Figure, Figure | None] | None = None
    by_hand: tuple[str, ...] = ()
    by_photo: dict[str, Figure | None] = field(default_factory=dict)
    counted: Mask | None = None
    left_out: Mask | None = None
    blemishes: tuple[Blemish, ...] = ()
    shape: ShapeEvidence | None = None
    spots: tuple[Spot, ...] = ()
    other_colour: str | None = None

    def document(self) -> Document:
        """Return the pepper as it stands in a measurement document."""
        outline = self.silhouette
        other = self.other_reading
        return {
            "number": outline.number,
            "centre_px": _rounded(outline.centre_px),
            "outline_px": _polygons(outline.outline_px),
            "calyx_px": _polygons(outline.calyx_px) or None,
            "stem_px": _polygons(outline.stem_px) or None,
            "pose": self.pose,
            "axis_px": self.axis.document(),
            "colour": self.colour,
            "other_colour": self.other_colour,
            "hidden_fraction": round(outline.hidden_fraction, 4),
            "doubtful": outline.doubtful or outline.cut_off,
            "cut_off": outline.cut_off,
            "by_hand": list(self.by_hand),
            "diameter_mm": _figure(self.diameter),
            "width_seen_mm": _figure(self.width_seen),
            "length_mm": _figure(self.length),
            "other_reading": None
            if other is None
            else {"diameter_mm": other[0].document(), "length_mm": _figure(other[1])},
            "not_fully_coloured": _figure(self.not_fully_coloured),
            "skin_seen": self.skin_seen,
            "by_photo": {name: _figure(f) for name, f in self.by_photo.items()} or None,
            "shape": None if self.shape is None else self.shape.document(),
            "blemishes": [blemish.document() for blemish in self.blemishes],
            "spots": [spot.document() for spot in self.spots],
            "messages": [m.document() for m in self.messages],
            "decisions": [
                d.document() | ({} if settle is None else {"what_would_settle": settle})
                for d, settle in self.decisions
            ],
        }


@dataclass(frozen=True)
class PlateInspection:
    """One photo of one plate, measured, flagged or refused."""

    photo: Document
    made_by: Document
    messages: tuple[Message, ...]
    peppers: tuple[PepperRecord, ...] = ()

    @property
    def status(self) -> Status:
        """Refused if nothing was measured, flagged if something needs a look, else ok."""
        said = [*self.messages, *(m for pepper in self.peppers for m in pepper.messages)]
        severities = {m.severity for m in said}
        if "refusal" in severities:
            return "refused"
        return "flagged" if "flag" in severities else "ok"

    def document(self) -> Document:
        """Return the measurement document (schema ``inspection-1``)."""
        return {
            "schema": 1,
            "status": self.status,
            "messages": [m.document() for m in self.messages],
            "photo": self.photo,
            "made_by": self.made_by,
            "peppers": [pepper.document() for pepper in self.peppers],
        }


def _rounded(point: Sequence[float] | NDArray[np.float64]) -> list[float]:
    return [round(float(point[0]), 2), round(float(point[1]), 2)]


def _polygons(polygons: Sequence[Polygon]) -> list[list[list[float]]]:
    return [[_rounded(vertex) for vertex in polygon] for polygon in polygons]


def _figure(figure: Figure | None) -> Document | None:
    return None if figure is None else figure.document()
