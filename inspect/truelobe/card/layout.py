"""The printed scale card as data: where everything on it is, in millimetres, and what colour it should be.

The card frame has its origin at the card's top-left outer corner, x to the right, y down, z into the table, so a
height above the card is a negative z. Layouts are JSON files in `calibration/cards/`, one per edition.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.data import data_path
from truelobe.messages import TruelobeError

PRINT_NUMBERS = 10_000
_CHECK_WEIGHTS = (1, 3, 5, 7)  # each without a common factor with the base 22: any one misread digit shows


@dataclass(frozen=True)
class Patch:
    """One printed patch.

    Attributes
    ----------
    name : str
        ``"red"``; greys are ``"grey-STEP-left"`` and ``"grey-STEP-right"``, step 1 the lightest.
    kind : {"grey", "colour"}
        Greys make the ladder.
    box_mm : tuple of float
        x, y, width, height.
    lab : tuple of float
        Nominal CIELAB (D65, 2 degrees): what is asked of the printer.
    u_de00 : float
        Standard uncertainty of the printed colour in CIEDE2000 units.
    """

    name: str
    kind: Literal["grey", "colour"]
    box_mm: tuple[float, float, float, float]
    lab: tuple[float, float, float]
    u_de00: float

    @property
    def step(self) -> int | None:
        """Ladder step of a grey, 1 the lightest."""
        return int(self.name.split("-")[1]) if self.kind == "grey" else None

    @property
    def side(self) -> str | None:
        """``"left"`` or ``"right"`` for a grey."""
        return self.name.split("-")[2] if self.kind == "grey" else None

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Middle of the patch."""
        x, y, width, height = self.box_mm
        return x + width / 2, y + height / 2


@dataclass(frozen=True)
class Charuco:
    """A chessboard with markers in its white squares and a rectangular hole for the patches.

    Attributes
    ----------
    dictionary : str
        Name of a dictionary of `cv2.aruco`.
    origin_mm : tuple of float
        Top-left corner of the first square, which is black.
    square_mm, marker_mm : float
        Side of a square and of the marker centred in it.
    columns, rows : int
        Squares across and down.
    hole : tuple of int
        First column, first row, columns and rows of the squares left out.
    """

    dictionary: str
    origin_mm: tuple[float, float]
    square_mm: float
    marker_mm: float
    columns: int
    rows: int
    hole: tuple[int, int, int, int]

    def has_square(self, column: int, row: int) -> bool:
        """Tell whether a square is printed there."""
        left, top, columns, rows = self.hole
        inside = 0 <= column < self.columns and 0 <= row < self.rows
        return inside and not (left <= column < left + columns and top <= row < top + rows)

    def squares(self, *, black: bool) -> list[tuple[int, int]]:
        """Columns and rows of the black or of the white squares, row by row."""
        return [
            (column, row)
            for row in range(self.rows)
            for column in range(self.columns)
            if self.has_square(column, row) and (column + row) % 2 == (0 if black else 1)
        ]

    @cached_property
    def corners_mm(self) -> NDArray[np.float64]:
        """The saddle points: grid points where four printed squares meet, shape (N, 2)."""
        grid = [
            (column, row)
            for row in range(1, self.rows)
            for column in range(1, self.columns)
            if all(self.has_square(column - i, row - j) for i in (0, 1) for j in (0, 1))
        ]
        return np.asarray(self.origin_mm) + self.square_mm * np.asarray(grid, dtype=float)

    @cached_property
    def corner_dark_diagonal(self) -> NDArray[np.bool_]:
        """Shape (N,): True where the dark squares lie top-left and bottom-right of the saddle point."""
        grid = np.rint((self.corners_mm - np.asarray(self.origin_mm)) / self.square_mm).astype(int)
        dark: NDArray[np.bool_] = grid.sum(axis=1) % 2 == 0
        return dark

    @cached_property
    def markers_mm(self) -> NDArray[np.float64]:
        """Marker corners by marker id, clockwise from top-left, shape (M, 4, 2)."""
        margin = (self.square_mm - self.marker_mm) / 2
        starts = np.asarray(self.origin_mm) + self.square_mm * np.asarray(self.squares(black=False)) + margin
        return starts[:, None, :] + _marker_corners(self.marker_mm)


@dataclass(frozen=True)
class Code:
    """Five markers that say edition and print number. A marker's id is `first_id` plus a digit to base `base`."""

    first_id: int
    base: int
    marker_mm: float
    edition_mm: tuple[float, float]
    number_mm: tuple[tuple[float, float], ...]
    check_mm: tuple[float, float]

    @property
    def places_mm(self) -> NDArray[np.float64]:
        """Marker corners in the order edition, number from the highest digit, check; shape (5, 4, 2)."""
        starts = np.asarray([self.edition_mm, *self.number_mm, self.check_mm])
        return starts[:, None, :] + _marker_corners(self.marker_mm)

    def digits(self, edition_index: int, print_number: int) -> list[int]:
        """Return the five digits of a card: edition, number, check.

        Raises
        ------
        TruelobeError
            ``card-print-number`` when the number is not in 0..9999.
        """
        if not 0 <= print_number < PRINT_NUMBERS:
            raise TruelobeError(
                "card-print-number",
                f"A card's print number is a whole number from 0 to {PRINT_NUMBERS - 1}; {print_number} is not.",
                "Choose another print number.",
            )
        places = len(self.number_mm)
        number = [print_number // self.base**power % self.base for power in reversed(range(places))]
        digits = [edition_index, *number]
        return [*digits, self._check(digits)]

    def read(self, digits: list[int | None]) -> int | None:
        """Return the print number, or None when a digit is missing or the check fails."""
        known = [digit for digit in digits if digit is not None]
        if len(known) != len(digits) or self._check(known[:-1]) != known[-1]:
            return None
        number = 0
        for digit in known[1:-1]:
            number = number * self.base + digit
        return number if number < PRINT_NUMBERS else None

    def _check(self, digits: list[int]) -> int:
        return sum(weight * digit for weight, digit in zip(_CHECK_WEIGHTS, digits, strict=True)) % self.base


@dataclass(frozen=True)
class Bar:
    """A printed line of known length, from the middle of one end mark to the middle of the other."""

    from_mm: tuple[float, float]
    to_mm: tuple[float, float]

    @property
    def length_mm(self) -> float:
        """Nominal length."""
        return float(np.hypot(self.to_mm[0] - self.from_mm[0], self.to_mm[1] - self.from_mm[1]))


@dataclass(frozen=True)
class Frame:
    """The outline of an ID-1 card (ISO/IEC 7810): 85.60 x 53.98 mm."""

    origin_mm: tuple[float, float]
    size_mm: tuple[float, float]
    radius_mm: float


@dataclass(frozen=True)
class Text:
    """A line of text on the card; `at_mm` is where its baseline starts."""

    at_mm: tuple[float, float]
    size_mm: float
    text: str
    bold: bool = False
    turn_deg: float = 0.0


@dataclass(frozen=True)
class CardLayout:
    """Everything on one edition of the card."""

    edition: str
    edition_index: int
    size_mm: tuple[float, float]
    charuco: Charuco
    code: Code
    across: Bar
    down: Bar
    id1_frame: Frame
    patches: tuple[Patch, ...]
    texts: tuple[Text, ...]

    @property
    def outline_mm(self) -> NDArray[np.float64]:
        """The card's outer corners, clockwise from top-left, shape (4, 2)."""
        width, height = self.size_mm
        return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])

    def patch(self, name: str) -> Patch:
        """Return the patch of that name."""
        return next(patch for patch in self.patches if patch.name == name)


@lru_cache(maxsize=8)
def dictionary(name: str) -> Any:
    """Return a predefined marker dictionary of `cv2.aruco` by name."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def marker_bits(name: str, marker_id: int) -> NDArray[np.bool_]:
    """Return a marker's cells with its black border, True for white; shape (6, 6) for a 4 x 4 dictionary."""
    book = dictionary(name)
    cells = int(book.markerSize) + 2
    picture = cv2.aruco.generateImageMarker(book, marker_id, cells)  # one pixel a cell
    white: NDArray[np.bool_] = np.asarray(picture) > 127
    return white


@lru_cache(maxsize=1)
def layouts() -> tuple[CardLayout, ...]:
    """Return every known edition, oldest first."""
    files = sorted(data_path("calibration", "cards").glob("*.json"))
    return tuple(sorted((_read(file) for file in files), key=lambda layout: layout.edition_index))


def load_layout(edition: str | None = None) -> CardLayout:
    """Return a card's layout.

    Parameters
    ----------
    edition : str, optional
        Edition code as printed on the card; without it, the newest.

    Raises
    ------
    TruelobeError
        ``card-unknown-edition``.
    """
    known = layouts()
    if edition is None:
        return known[-1]
    for layout in known:
        if layout.edition.casefold() == edition.casefold():
            return layout
    raise TruelobeError(
        "card-unknown-edition",
        f"This version does not know a card of edition {edition}.",
        f"Use a card of edition {known[-1].edition}, or install a newer version.",
    )


def _marker_corners(side_mm: float) -> NDArray[np.float64]:
    return side_mm * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def _pair(values: list[float]) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _read(file: Path) -> CardLayout:
    data = json.loads(file.read_text(encoding="utf-8"))
    board, code, frame = data["charuco"], data["code"], data["id1_frame"]
    bars = {name: Bar(_pair(bar["from_mm"]), _pair(bar["to_mm"])) for name, bar in data["bars"].items()}
    return CardLayout(
        edition=data["edition"],
        edition_index=data["edition_index"],
        size_mm=_pair(data["size_mm"]),
        charuco=Charuco(
            **{**board, "origin_mm": _pair(board["origin_mm"]), "hole": tuple(board["hole"])},
        ),
        code=Code(
            first_id=code["first_id"],
            base=code["base"],
            marker_mm=code["marker_mm"],
            edition_mm=_pair(code["edition_mm"]),
            number_mm=tuple(_pair(place) for place in code["number_mm"]),
            check_mm=_pair(code["check_mm"]),
        ),
        across=bars["across"],
        down=bars["down"],
        id1_frame=Frame(_pair(frame["origin_mm"]), _pair(frame["size_mm"]), frame["radius_mm"]),
        patches=tuple(
            Patch(p["name"], p["kind"], tuple(p["box_mm"]), tuple(p["lab"]), p["u_de00"]) for p in data["patches"]
        ),
        texts=tuple(Text(**{**text, "at_mm": _pair(text["at_mm"])}) for text in data["texts"]),
    )
