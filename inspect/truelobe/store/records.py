"""The frozen records that go into the store and come out of it. Nothing here knows a database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

Body = Mapping[str, Any]
"""A JSON document as Python reads it."""


@dataclass(frozen=True)
class Print:
    """One printout of the scale card: what a ruler or caliper read on its two bars, in mm."""

    number: int
    edition: str
    across_mm: float
    down_mm: float
    u_mm: float
    note: str = ""
    measured_at: datetime | None = None


@dataclass(frozen=True)
class NamedBody:
    """A named JSON document with the time of its last change."""

    name: str
    body: Body
    changed_at: datetime


@dataclass(frozen=True)
class RuleSet:
    """One edition of a named rule set."""

    name: str
    edition: str
    body: Body
    kept_at: datetime


@dataclass(frozen=True)
class Upload:
    """A file somebody handed in, unchanged, on disk under its SHA-256."""

    sha256: str
    name: str


@dataclass(frozen=True)
class Draft:
    """Work not finished.

    Attributes
    ----------
    uid : str
        What session state and the address hold.
    version : int
        Rises with each write; give the one you read when you write.
    kind : str
        Whose draft: ``"inspection"``, ``"class"`` ...
    body : Mapping
        JSON.
    uploads : tuple of Upload
        Files it works on; their bytes through `Drafts.upload`.
    """

    uid: str
    version: int
    kind: str
    who: str
    body: Body
    started_at: datetime
    changed_at: datetime
    uploads: tuple[Upload, ...] = ()


@dataclass(frozen=True)
class Photo:
    """A kept photo: what its file is, and where it was cut from.

    Attributes
    ----------
    sha256 : str
        Of the kept file, and its name on the shelf.
    original_sha256 : str
        Of the file as it was handed in; measurement documents name this one.
    width_px, height_px : int
        Of the kept picture, upright.
    original_width_px, original_height_px : int
        Of the original picture, upright.
    crop_x, crop_y : int
        Where the kept picture's upper left pixel lay in the original. Subtract from a document's coordinates.
    focal_35mm : float or None
        Of the original, as its metadata said.
    camera : str or None
        Make and model.
    """

    sha256: str
    original_sha256: str
    media_type: str
    bytes: int
    width_px: int
    height_px: int
    original_width_px: int
    original_height_px: int
    crop_x: int
    crop_y: int
    focal_35mm: float | None
    camera: str | None
    thumbnail_sha256: str
    kept_at: datetime
    name: str = ""

    @property
    def cropped(self) -> bool:
        """Whether only a part of the original was kept."""
        return (self.width_px, self.height_px) != (self.original_width_px, self.original_height_px)


@dataclass(frozen=True)
class Defect:
    """A defect by its trade name; pepper number 0 stands for the whole plate."""

    name: str
    number: int = 0


@dataclass(frozen=True)
class HandFacts:
    """What somebody recorded that a photo can't show, at one time."""

    at: datetime
    who: str
    facts: Body


@dataclass(frozen=True)
class Grade:
    """The grade a rule set gives a plate, and each of its peppers.

    Attributes
    ----------
    plate : str or None
        In the rule set's own words; None takes the grade away.
    rules : str
        Rule set and edition.
    peppers : Mapping of int to str
        By pepper number.
    """

    plate: str | None
    rules: str = ""
    peppers: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class PepperFigures:
    """The searchable figures of one pepper; None where the photo does not show the quantity. mm and fractions."""

    number: int
    colour: str | None
    pose: str
    doubtful: bool
    diameter_mm: float | None
    diameter_u_mm: float | None
    width_seen_mm: float | None
    length_mm: float | None
    length_u_mm: float | None
    not_fully_coloured: float | None
    not_fully_coloured_u: float | None
    grade: str | None = None


@dataclass(frozen=True)
class Measurement:
    """One measurement of a plate; the document through `Inspections.document`."""

    uid: str
    current: bool
    tool: str
    made_at: datetime


@dataclass(frozen=True)
class Inspection:
    """One kept plate, whole: what stands in its row and in the tables around it."""

    uid: str
    version: int
    status: str
    title: str
    notes: str
    who: str
    plate_date: date
    kept_at: datetime
    changed_at: datetime
    binned_at: datetime | None
    example: bool
    teaching_note: str
    grade: str | None
    grade_rules: str | None
    sample: bool
    tags: tuple[str, ...]
    defects: tuple[Defect, ...]
    photos: tuple[Photo, ...]
    peppers: tuple[PepperFigures, ...]
    measurements: tuple[Measurement, ...]
    hand_facts: tuple[HandFacts, ...]


@dataclass(frozen=True)
class PlateRecord:
    """A plate whole, in the form in which it enters the store and travels: nothing left out but its history.

    Attributes
    ----------
    uid : str
        Stays the same in every gallery.
    kept_at : datetime
    state : Mapping
        What can be edited, as JSON: ``title``, ``notes``, ``who``, ``plate_date``, ``example``, ``teaching_note``,
        ``tags``, ``grade``, ``binned_at``, ``defects``, ``measurement`` (uid of the current one).
    sample : bool
        Part of the sample gallery.
    measurements : tuple of (Measurement, document text)
    photos : tuple of Photo
        In order; the first one is shown.
    hand_facts : tuple of HandFacts
        Oldest first.
    """

    uid: str
    kept_at: datetime
    state: Body
    sample: bool = False
    measurements: tuple[tuple[Measurement, str], ...] = ()
    photos: tuple[Photo, ...] = ()
    hand_facts: tuple[HandFacts, ...] = ()


@dataclass(frozen=True)
class Change:
    """One line of a plate's history."""

    id: int
    version: int
    at: datetime
    who: str
    action: str
    before: Body
    after: Body
    undone: bool
