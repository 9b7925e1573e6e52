"""One pepper as it is judged, and what one requirement says about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from truelobe.figures import Figure
from truelobe.grading.blemish import Blemish
from truelobe.grading.decisions import Basis, Outcome
from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.vocabulary import NOT_CHECKED, Side
from truelobe.units import inch_fraction

By = Literal["photo", "hand", "coach's eye", "marked area", "higher grade", "rule", "nobody"]
PASSES: tuple[Outcome, ...] = ("met", "not applicable")
#: The share of the whole skin that photos must show before the whole pepper is spoken of.
WHOLE_SEEN = 0.9


@dataclass(frozen=True)
class RuleOutcome:
    """What one requirement says about one pepper.

    Attributes
    ----------
    grade : str
        Name of the grade.
    kind, fact : str
        Of the requirement.
    label : str
        What is asked, in words: ``"diameter at least 76.2 mm (3 in)"``.
    outcome : Outcome
    probability : float or None
        That the requirement is met, where a figure decides.
    by : str
        Who or what decides.
    basis : {"seen", "whole"} or None
        For figures from a photo: the skin seen, or the whole pepper.
    says : str
        Why it is not met, short: ``"length is 3 mm short of 88.9 mm (3-1/2 in)"``; empty where it is met.
    note : str
        What else a person should know.
    side : {"quality", "condition"} or None
    on : date or None
        The day the hand fact was recorded.
    """

    grade: str
    kind: str
    fact: str
    label: str
    outcome: Outcome
    probability: float | None = None
    by: By = "nobody"
    basis: Basis | None = None
    says: str = ""
    note: str = ""
    side: Side | None = None
    on: date | None = None

    @property
    def passes(self) -> bool:
        """Whether it does not stand in the way of the grade."""
        return self.outcome in PASSES

    def document(self) -> dict[str, Any]:
        """Return the outcome as a record keeps it."""
        return {**self.__dict__, "on": self.on.isoformat() if self.on else None}


@dataclass(frozen=True)
class Case:
    """Everything known about one pepper when it is judged.

    Attributes
    ----------
    pepper : mapping
        Its part of a measurement document (schema ``inspection-1``).
    hand : HandFacts
    declared_colour : str or None
        The plate's color as declared; ``"mixed"`` where none is named.
    pepper_type : str or None
        For sets whose limits depend on it.
    blemishes : sequence of Blemish
        Marked areas of this pepper.
    level : float
        Probability from which a limit counts as met.
    until : date or None
        Hand facts recorded later are left out.
    moved : mapping
        The coach's own quality and condition sides.
    """

    pepper: Mapping[str, Any]
    hand: HandFacts = field(default_factory=HandFacts)
    declared_colour: str | None = None
    pepper_type: str | None = None
    blemishes: Sequence[Blemish] = ()
    level: float = 0.95
    until: date | None = None
    moved: Mapping[str, Side] = field(default_factory=dict)

    @property
    def number(self) -> int:
        """Its number on the plate."""
        return int(self.pepper["number"])

    def figure(self, name: str) -> Figure | None:
        """Return a measured figure of the document, or None where the photo does not show it.

        A doubtful outline gives no figures until the coach says that it is a pepper.
        """
        written = self.pepper.get(name)
        figure = Figure.from_document(written) if written else None
        return None if figure and self.pepper.get("doubtful") and not figure.by_hand else figure

    @property
    def whole_seen(self) -> bool:
        """Whether turned photos show so much of the skin that a word about the whole pepper is allowed."""
        seen = float(self.pepper.get("skin_seen") or 0.0)
        return bool(self.pepper.get("whole_skin_not_fully_coloured")) and seen >= WHOLE_SEEN

    def size(self, quantity: str) -> tuple[Figure | None, By]:
        """Return a length in mm and who measured it; a hand measurement goes before the photo's."""
        by_hand = self.hand.figure(self.number, quantity, until=self.until)
        if by_hand is not None:
            return by_hand, "hand"
        figure = self.figure(f"{quantity}_mm")
        return figure, "hand" if figure is not None and figure.by_hand else "photo"

    def word(self, fact: str) -> tuple[str, date | None]:
        """Return the word that counts and its day."""
        entry = self.hand.latest(self.number, fact, until=self.until)
        return (NOT_CHECKED, None) if entry is None else (str(entry.value), entry.at.date())


def length_words(mm: float) -> str:
    """Write a limit both ways.

    >>> length_words(88.9)
    '88.9 mm (3-1/2 in)'
    """
    return f"{mm:g} mm ({inch_fraction(mm)})"
