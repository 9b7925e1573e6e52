"""What hand, eye and nose found: facts a photo cannot show, each with its time.

Nothing is overwritten. Every tap adds an entry; the latest word on a fact counts, and what was found on an earlier
day stays beside it, since peppers change in days. A fact without an entry is *not checked*, which is never a pass.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

from truelobe import schema
from truelobe.figures import Figure, from_normal
from truelobe.grading.vocabulary import FACTS, NONE, NOT_CHECKED, USUAL_LIST, Side, sides
from truelobe.messages import TruelobeError


@dataclass(frozen=True)
class Entry:
    """One fact about one pepper, at one moment.

    Attributes
    ----------
    pepper : int
        Its number on the plate.
    fact : str
        A name of `vocabulary.FACTS`.
    value : str or float
        A word of that fact, ``"not checked"`` to take a word back, or a number (mm, g, a count).
    at : datetime
        With its time zone.
    u : float or None
        Standard uncertainty of a number read off a tool.
    by : str or None
        Nickname of who looked.
    note : str
        Free words.
    """

    pepper: int
    fact: str
    value: str | float
    at: datetime
    u: float | None = None
    by: str | None = None
    note: str = ""

    def __post_init__(self) -> None:
        known = FACTS.get(self.fact)
        if known is None or self.pepper < 1:
            raise _wrong(f"{self.fact} of pepper {self.pepper} is not something the tool records")
        if self.at.tzinfo is None:
            raise _wrong("a fact needs its time with a time zone")
        if self.value == NOT_CHECKED:
            return
        if known.kind == "number":
            if not isinstance(self.value, (int, float)) or not math.isfinite(self.value):
                raise _wrong(f"{known.label} is a number")
            if not known.low <= self.value <= known.high:
                raise _wrong(f"{known.label} lies between {known.low:g} and {known.high:g} {known.unit}".strip())
        elif self.value not in known.words:
            raise _wrong(f"{known.label} is one of: {', '.join(known.words)}")

    def document(self) -> dict[str, Any]:
        """Return the entry as it stands in a document of schema ``hand-facts-1``."""
        return {
            "pepper": self.pepper,
            "fact": self.fact,
            "value": self.value,
            "u": self.u,
            "at": self.at.isoformat(),
            "by": self.by,
            "note": self.note,
        }


def _wrong(what: str) -> TruelobeError:
    return TruelobeError("hand-fact-wrong", f"This can't be recorded: {what}.", "Choose one of the words shown.")


@dataclass(frozen=True)
class HandFacts:
    """All that was recorded by hand about one plate, oldest first."""

    entries: tuple[Entry, ...] = field(default=())

    def record(
        self,
        pepper: int,
        fact: str,
        value: str | float,
        at: datetime,
        *,
        u: float | None = None,
        by: str | None = None,
        note: str = "",
    ) -> HandFacts:
        """Return the facts with one more entry."""
        return HandFacts((*self.entries, Entry(pepper, fact, value, at, u, by, note)))

    def nothing_found(
        self, peppers: Iterable[int], at: datetime, facts: Sequence[str] = USUAL_LIST, *, by: str | None = None
    ) -> HandFacts:
        """Return the facts after "all looked at, nothing found".

        Every fact of the list gets its sound word, on every pepper, unless that day already has a word on it:
        an exception tapped first is never wiped out.
        """
        day = at.date()
        said = {(e.pepper, e.fact) for e in self.entries if e.at.date() == day and self._stands(e)}
        fresh = [
            Entry(n, name, FACTS[name].sound or NONE, at, None, by)
            for n in peppers
            for name in facts
            if FACTS[name].kind != "number" and (n, name) not in said
        ]
        return HandFacts((*self.entries, *fresh))

    def _stands(self, entry: Entry) -> bool:
        return self.latest(entry.pepper, entry.fact, on=entry.at.date()) is not None

    def undone(self) -> HandFacts:
        """Return the facts without the last tap (all entries of its moment)."""
        if not self.entries:
            return self
        last = self.entries[-1].at
        return HandFacts(tuple(e for e in self.entries if e.at != last))

    def latest(self, pepper: int, fact: str, *, on: date | None = None, until: date | None = None) -> Entry | None:
        """Return the entry that counts, or None where nothing was recorded or the word was taken back.

        Parameters
        ----------
        pepper : int
        fact : str
        on : date, optional
            Only what was recorded that day.
        until : date, optional
            Only what was recorded up to that day.
        """
        for entry in reversed(self.entries):
            day = entry.at.date()
            if (
                (entry.pepper, entry.fact) == (pepper, fact)
                and (on is None or day == on)
                and (until is None or day <= until)
            ):
                return None if entry.value == NOT_CHECKED else entry
        return None

    def value(self, pepper: int, fact: str, *, until: date | None = None) -> str | float:
        """Return the word or number that counts, or ``"not checked"``."""
        entry = self.latest(pepper, fact, until=until)
        return NOT_CHECKED if entry is None else entry.value

    def figure(self, pepper: int, fact: str, *, until: date | None = None) -> Figure | None:
        """Return a hand-measured length in mm as a figure, with the reading uncertainty of its tool.

        Without one, 0.6 mm is taken: a ruler read to the nearest millimetre at both ends (1 mm / sqrt(12) each,
        JCGM 100, 4.3.7), and as much again for holding it beside a curved fruit.
        """
        entry = self.latest(pepper, fact, until=until)
        if entry is None or not isinstance(entry.value, (int, float)):
            return None
        return from_normal(float(entry.value), 0.6 if entry.u is None else entry.u, by_hand=True)

    def days(self) -> tuple[date, ...]:
        """Return the days on which something was recorded, oldest first."""
        return tuple(sorted({entry.at.date() for entry in self.entries}))

    def changes(self, moved: Mapping[str, Side] | None = None) -> tuple[tuple[Entry, Entry], ...]:
        """Return condition facts whose word differs between the first and the latest day it was recorded."""
        condition = {name for name, side in sides(moved).items() if side == "condition"}
        pairs = []
        for pepper, fact in sorted({(e.pepper, e.fact) for e in self.entries if e.fact in condition}):
            first_day = min(e.at.date() for e in self.entries if (e.pepper, e.fact) == (pepper, fact))
            first, last = self.latest(pepper, fact, on=first_day), self.latest(pepper, fact)
            if first and last and first.at.date() != last.at.date() and first.value != last.value:
                pairs.append((first, last))
        return tuple(pairs)

    def exceptions(self, pepper: int, *, until: date | None = None) -> tuple[Entry, ...]:
        """Return what is not sound on a pepper, in the order of the list."""
        found = (self.latest(pepper, name, until=until) for name in FACTS)
        return tuple(e for e in found if e and FACTS[e.fact].kind != "number" and e.value != FACTS[e.fact].sound)

    def renumbered(self, numbers: Mapping[int, int]) -> HandFacts:
        """Return the facts after peppers were renumbered; facts of peppers that are gone are dropped."""
        kept = (replace(e, pepper=numbers[e.pepper]) for e in self.entries if e.pepper in numbers)
        return HandFacts(tuple(kept))

    def document(self) -> dict[str, Any]:
        """Return the facts as a document of schema ``hand-facts-1``."""
        return {"schema": 1, "entries": [entry.document() for entry in self.entries]}

    @classmethod
    def from_document(cls, written: Mapping[str, Any] | None) -> HandFacts:
        """Read facts back; None gives an empty record.

        Raises
        ------
        jsonschema.ValidationError
            When the document does not fit its schema.
        TruelobeError
            ``hand-fact-wrong`` when a word is not one of the fact's words.
        """
        if written is None:
            return cls()
        schema.check(written, "hand-facts-1")
        return cls(
            tuple(
                Entry(
                    e["pepper"],
                    e["fact"],
                    e["value"],
                    datetime.fromisoformat(e["at"]),
                    e.get("u"),
                    e.get("by"),
                    e.get("note", ""),
                )
                for e in written["entries"]
            )
        )
