"""How alike the peppers of a plate are, in figures a student can quote, and the odd one out.

Two peppers of one photo share its scale and camera, so those errors cancel between them: only what is each
pepper's own widens a difference.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from truelobe.figures import Figure, from_normal
from truelobe.grading.case import Case
from truelobe.grading.shape import ratio, suggestion_limits
from truelobe.units import inch_fraction, percent


@dataclass(frozen=True)
class Spread:
    """One quantity over the peppers of a plate.

    Attributes
    ----------
    quantity, label : str
    values : mapping of int to float
        By pepper number.
    smallest, largest : int
        Numbers of the extreme peppers.
    difference : Figure
        Largest minus smallest, with the errors the two do not share.
    says : str
        In words.
    """

    quantity: str
    label: str
    values: Mapping[int, float]
    smallest: int
    largest: int
    difference: Figure
    says: str


@dataclass(frozen=True)
class OddOne:
    """The pepper that stands out, and in what."""

    number: int
    quantity: str
    says: str


@dataclass(frozen=True)
class Uniformity:
    """How alike the peppers of a plate are."""

    spreads: tuple[Spread, ...]
    odd_one: OddOne | None
    lobes: str
    shapes: str

    @property
    def lines(self) -> tuple[str, ...]:
        """Everything worth quoting, one sentence each."""
        words = [spread.says for spread in self.spreads] + [line for line in (self.lobes, self.shapes) if line]
        return (*words, self.odd_one.says) if self.odd_one else tuple(words)

    def document(self) -> dict[str, Any]:
        """Return the figures as a record keeps them."""
        return {
            "lines": list(self.lines),
            "odd_one": self.odd_one.number if self.odd_one else None,
            "spreads": {s.quantity: s.difference.document() for s in self.spreads},
        }


def _own(figure: Figure) -> float:
    squares = [line.effect**2 for line in figure.budget if line.shared_by == "pepper"]
    return math.sqrt(sum(squares)) if figure.budget and not figure.by_hand else figure.standard_uncertainty


def _mm(value: float) -> str:
    return f"{value:.0f} mm ({inch_fraction(value)})"


def _spread(quantity: str, label: str, figures: Mapping[int, Figure], share: bool) -> Spread | None:
    if len(figures) < 2:
        return None
    values = {n: f.value for n, f in figures.items()}
    smallest, largest = min(values, key=lambda n: values[n]), max(values, key=lambda n: values[n])
    u = math.hypot(_own(figures[smallest]), _own(figures[largest]))
    gap = from_normal(values[largest] - values[smallest], u)
    write = percent if share else _mm
    apart = f"{100 * gap.value:.0f} points" if share else f"{gap.value:.0f} mm"
    give = f"{100 * gap.half_width:.0f} points" if share else f"{gap.half_width:.0f} mm"
    if gap.value < gap.half_width:
        says = f"{label}: no difference the photo can show, {write(values[smallest])} to {write(values[largest])}."
        return Spread(quantity, label, values, smallest, largest, gap, says)
    says = (
        f"{label} runs from {write(values[smallest])} (number {smallest}) to {write(values[largest])} "
        f"(number {largest}): {apart} apart, give or take {give}."
    )
    return Spread(quantity, label, values, smallest, largest, gap, says)


def _odd_one(figures: Mapping[str, Mapping[int, Figure]]) -> OddOne | None:
    """Name the pepper that lies farthest from the middle of the others, if the distance is real and counts."""
    limits = suggestion_limits()["odd_one"]
    best: tuple[float, OddOne] | None = None
    for quantity, by_number in figures.items():
        if len(by_number) < 3:
            continue
        for number, figure in by_number.items():
            others = np.array([f.value for n, f in by_number.items() if n != number])
            middle = float(np.median(others))
            least = limits[quantity] * (1.0 if quantity == "colour" else middle)
            away = figure.value - middle
            worth = abs(away) / least
            # Others that lie as far apart among themselves leave no odd one.
            among = float(np.abs(others - middle).max())
            if worth < 1 or abs(away) < 2 * _own(figure) or abs(away) < 2 * among:
                continue
            if best is None or worth > best[0]:
                best = worth, OddOne(number, quantity, _odd_words(number, quantity, away))
    return best[1] if best else None


def _odd_words(number: int, quantity: str, away: float) -> str:
    if quantity == "colour":
        return (
            f"Number {number} stands out: {abs(100 * away):.0f} points {'less' if away > 0 else 'more'} colored."
        )
    if quantity == "length_to_diameter":
        return f"Number {number} stands out: {'longer' if away > 0 else 'shorter'} for its width than the others."
    word = {"diameter": ("wider", "narrower"), "length": ("longer", "shorter")}[quantity][away < 0]
    return f"Number {number} stands out: {abs(away):.0f} mm {word} than the middle of the others."


def _tally(words: Mapping[int, str]) -> str:
    kinds = dict.fromkeys(words.values())
    return "; ".join(f"{kind}: {', '.join(str(n) for n, w in words.items() if w == kind)}" for kind in kinds)


def uniformity(cases: Sequence[Case]) -> Uniformity:
    """Compare the peppers of a plate.

    Parameters
    ----------
    cases : sequence of Case
        One per pepper.
    """
    diameter = {c.number: f for c in cases if (f := c.size("diameter")[0])}
    length = {c.number: f for c in cases if (f := c.size("length")[0])}
    colour = {c.number: f for c in cases if (f := c.figure("not_fully_coloured"))}
    long = {n: ratio(length[n], diameter[n]) for n in length if n in diameter}
    spreads = (
        _spread("diameter", "Diameter", diameter, False),
        _spread("length", "Length", length, False),
        _spread("colour", "Skin not fully colored", colour, True),
    )
    lobes = {c.number: f"{float(v):.0f}" for c in cases if (v := c.hand.value(c.number, "lobes")) != "not checked"}
    words = {c.number: c.word("shape")[0] for c in cases if c.word("shape")[1]}
    same = len(set(lobes.values())) == 1
    lobe_line = (
        ""
        if len(lobes) < 2
        else (
            f"Every pepper counted has {next(iter(lobes.values()))} lobes."
            if same
            else f"Lobes differ ({_tally(lobes)})."
        )
    )
    shape_line = (
        ""
        if len(words) < 2
        else (
            f"All are {next(iter(words.values()))}."
            if len(set(words.values())) == 1
            else f"Shape differs ({_tally(words)})."
        )
    )
    odd = _odd_one({"diameter": diameter, "length": length, "length_to_diameter": long, "colour": colour})
    return Uniformity(tuple(s for s in spreads if s), odd, lobe_line, shape_line)
