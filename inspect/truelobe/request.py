"""What a coach says beside the photo: settings, the print's measured bars, corrections by hand.

Everything here is plain data that survives JSON, so that a stored inspection can be measured again exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from truelobe.camera import LensProfile
from truelobe.card import UNMEASURED, PrintScale
from truelobe.colour import References
from truelobe.grading import Limit

CardPlace = Literal["table", "plate"]

# Limits decided without other orders: size of the U.S. standard (effective 17 November 2005) and the coach's
# house rule for color, which is common practice without a published source.
DEFAULT_LIMITS: tuple[Limit, ...] = (
    Limit("U.S. No. 1 size", "diameter", 63.5, "mm", "at least"),
    Limit("U.S. Fancy size", "diameter", 76.2, "mm", "at least"),
    Limit("U.S. No. 1 size", "length", 63.5, "mm", "at least"),
    Limit("U.S. Fancy size", "length", 88.9, "mm", "at least"),
    Limit("house color rule", "not_fully_coloured", 0.15, "fraction", "under"),
)


@dataclass(frozen=True)
class Correction:
    """One change by hand, tied to a place in the picture so that it survives measuring again.

    Attributes
    ----------
    kind : str
        ``remove`` (not a pepper), ``keep`` (a doubtful one is a pepper), ``stem end`` (the stem end is at `to`),
        ``colour`` (`word`), ``measured`` (`quantity` read with a tool: `value` mm, `uncertainty` mm),
        ``add`` (there is a pepper at `at`), ``part`` (two peppers, at `at` and `to`), ``merge`` (`at` and `to`
        are one pepper), ``axis`` (it runs along `line`: stem end, blossom end), ``blemish`` (an area drawn round
        with `line`; `word` is the defect, left out until the coach names it: the same line again names it),
        ``unmark`` (the area drawn round with `line` is none).
    at : (float, float)
        A point inside the pepper, px of the upright photo.
    """

    kind: Literal[
        "remove", "keep", "stem end", "colour", "measured", "add", "part", "merge", "axis", "blemish", "unmark"
    ]
    at: tuple[float, float]
    to: tuple[float, float] | None = None
    word: str | None = None
    quantity: Literal["diameter", "length"] | None = None
    value: float | None = None
    uncertainty: float | None = None
    line: tuple[tuple[float, float], ...] | None = None

    def document(self) -> dict[str, Any]:
        """Return the correction as plain data, empty fields left out."""
        fields = {
            "kind": self.kind,
            "at": list(self.at),
            "to": None if self.to is None else list(self.to),
            "word": self.word,
            "quantity": self.quantity,
            "value": self.value,
            "uncertainty": self.uncertainty,
            "line": None if self.line is None else [list(point) for point in self.line],
        }
        return {name: value for name, value in fields.items() if value is not None}

    @classmethod
    def from_document(cls, written: Mapping[str, Any]) -> Correction:
        """Read a correction back."""
        points = {name: tuple(written[name]) for name in ("at", "to") if name in written}
        line = {"line": tuple((x, y) for x, y in written["line"])} if "line" in written else {}
        return cls(**{**written, **points, **line})


@dataclass(frozen=True)
class Request:
    """How a photo is to be measured.

    Attributes
    ----------
    prints : mapping of int to PrintScale
        Measured bars by print number.
    card_place : {"table", "plate"} or None
        Where the card lies; None when the coach didn't say.
    plate_height_mm : float, optional
        Height of the plate's floor above the card's plane, where the coach measured it.
    declared_colour : str, optional
        The color the plate is shown as.
    line : float
        Ripeness from which skin counts as fully coloured.
    level : float
        Probability from which a limit counts as met.
    """

    prints: Mapping[int, PrintScale] = field(default_factory=dict)
    bars: PrintScale | None = None
    card_place: CardPlace | None = None
    plate_height_mm: float | None = None
    declared_colour: str | None = None
    line: float = 0.5
    level: float = 0.95
    limits: tuple[Limit, ...] = DEFAULT_LIMITS
    references: References | None = None
    profile: LensProfile | None = None
    corrections: tuple[Correction, ...] = ()

    def scale_of(self, print_number: int | None) -> PrintScale:
        """Return the scale of a print: bars given with this photo first, then those kept for its number."""
        if self.bars is not None:
            return self.bars
        return self.prints.get(print_number, UNMEASURED) if print_number is not None else UNMEASURED

    def settings(self) -> dict[str, Any]:
        """Return the settings as they stand in a measurement document."""
        return {
            "card_place": self.card_place,
            "plate_height_mm": self.plate_height_mm,
            "declared_colour": self.declared_colour,
            "level": self.level,
        }
