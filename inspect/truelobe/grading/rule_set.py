"""Grade standards and house rules as data: one JSON file each, held against its schema when it is read.

A figure that nobody has read in the published text is empty. Every other one says how it is known. Files lie in
``calibration/standards/``; a coach's own sets lie in the store in the same form.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from jsonschema import ValidationError

from truelobe import schema
from truelobe.data import data_path
from truelobe.grading.vocabulary import FACTS
from truelobe.messages import TruelobeError

SHIPPED = ("us-sweet-peppers-2005", "new-york-seal-of-quality", "south-africa-r364", "house-rules")
Kind = Literal["size", "word", "free", "ladder", "colour_any", "colour_area"]


@dataclass(frozen=True)
class Requirement:
    """One thing a grade asks of a pepper.

    Attributes
    ----------
    kind : {"size", "word", "free", "ladder", "colour_any", "colour_area"}
        *size*: at least so many mm. *word*: the fact is one of `accepts`. *free*: flatly excluded, however little.
        *ladder*: free from `free_from` by that defect. *colour_any*: shows any amount of the declared colour.
        *colour_area*: less than `value` of the skin is not fully coloured.
    fact : str
        The fact or quantity it looks at.
    value : float or None
        mm, or a share; None where nobody has entered it.
    none_set : bool
        True where a person has read that there is no such limit.
    by_type : mapping
        Limits in mm that depend on the type of pepper.
    """

    kind: Kind
    fact: str
    value: float | None
    none_set: bool
    by_type: Mapping[str, float]
    accepts: tuple[str, ...]
    needs_none: tuple[str, ...]
    free_from: str
    confidence: str
    source: str | None
    as_written: str | None
    note: str


@dataclass(frozen=True)
class Grade:
    """One grade of a set; a set lists its grades from the highest to the lowest."""

    id: str
    name: str
    requirements: tuple[Requirement, ...]


@dataclass(frozen=True)
class LadderLimit:
    """Where one defect reaches a level, as a number.

    Attributes
    ----------
    measure : {"total area", "largest single", "share of surface", "total length"}
    value : float or None
        mm2, mm (diameter of the equal circle, or length) or a fraction; None where nobody has entered it.
    reference_mm : tuple of float or None
        Diameter and length of the pepper that the number was written for.
    scaled : {"none", "larger only", "both ways"}
        How the number follows the size of the pepper.
    """

    fact: str
    level: str
    measure: str
    value: float | None
    reference_mm: tuple[float, float] | None
    scaled: str


@dataclass(frozen=True)
class RuleSet:
    """A set of grade rules, ready to be applied. `written` is the document it was read from."""

    id: str
    revision: int
    name: str
    short_name: str
    authority: str
    edition: str
    units: Literal["in", "mm"]
    judges: Literal["lot", "pepper"]
    diameter_at: str
    grades: tuple[Grade, ...]
    ladder: tuple[LadderLimit, ...]
    written: str

    def document(self) -> dict[str, Any]:
        """Return the set as a document of schema ``standard-1``."""
        read: dict[str, Any] = json.loads(self.written)
        return read

    def stamp(self) -> dict[str, Any]:
        """Return what a record keeps to say which rules it was judged under."""
        digest = hashlib.sha256(self.written.encode()).hexdigest()
        return {
            "id": self.id,
            "name": self.name,
            "edition": self.edition,
            "revision": self.revision,
            "sha256": digest,
        }

    def limits(self, fact: str, level: str) -> tuple[LadderLimit, ...]:
        """Return the numbers of one defect at one level; several where the text sets several."""
        return tuple(limit for limit in self.ladder if limit.fact == fact and limit.level == level)


def _requirement(written: Mapping[str, Any]) -> Requirement:
    kind = written["kind"]
    value = {"size": "value_mm", "colour_any": "share_of_peppers", "colour_area": "under"}.get(kind)
    return Requirement(
        kind=kind,
        fact=written.get("fact") or written.get("quantity") or "not_fully_coloured",
        value=written[value] if value else None,
        none_set=written.get("none_set", False),
        by_type=written.get("by_type_mm", {}),
        accepts=tuple(written.get("accepts", ())),
        needs_none=tuple(written.get("needs_none", ())),
        free_from=written.get("free_from", ""),
        confidence=written["confidence"],
        source=written["source"],
        as_written=written.get("as_written"),
        note=written.get("note", ""),
    )


def _ladder_limit(written: Mapping[str, Any]) -> LadderLimit:
    reference = written["reference_mm"]
    return LadderLimit(
        fact=written["fact"],
        level=written["level"],
        measure=written["measure"],
        value=written["value"],
        reference_mm=(reference["diameter"], reference["length"]) if reference else None,
        scaled=written["scaled"],
    )


def _check_sense(rules: RuleSet, sources: Mapping[str, Any]) -> None:
    """Refuse what the schema alone cannot see: unknown facts and words, sources that are not listed."""
    for grade in rules.grades:
        for needed in grade.requirements:
            if needed.kind in ("word", "free", "ladder"):
                fact = FACTS.get(needed.fact)
                words = set(fact.words) if fact else set()
                if fact is None or {*needed.accepts} - words or {*needed.needs_none} - FACTS.keys():
                    raise ValueError(f"{grade.name} asks for a fact or word the tool does not know: {needed.fact}")
            if needed.source is not None and needed.source not in sources:
                raise ValueError(f"{grade.name} names a source that is not listed: {needed.source}")
    if any(limit.scaled != "none" and limit.reference_mm is None for limit in rules.ladder):
        raise ValueError("a limit that follows the size of the pepper needs the size it was written for")


def read_rule_set(written: Mapping[str, Any]) -> RuleSet:
    """Make a rule set from its document.

    Raises
    ------
    TruelobeError
        ``rules-unreadable`` naming the first thing that is wrong.
    """
    try:
        schema.check(written, "standard-1")
        rules = RuleSet(
            id=written["id"],
            revision=written["revision"],
            name=written["name"],
            short_name=written["short_name"],
            authority=written["authority"],
            edition=written["edition"],
            units=written["units"],
            judges=written["judges"],
            diameter_at=written["measured_as"]["diameter"]["at"],
            grades=tuple(
                Grade(grade["id"], grade["name"], tuple(_requirement(r) for r in grade["requirements"]))
                for grade in written["grades"]
            ),
            ladder=tuple(_ladder_limit(line) for line in written["ladder"]),
            written=json.dumps(written, ensure_ascii=False, sort_keys=True),
        )
        _check_sense(rules, written["sources"])
    except (ValidationError, ValueError) as wrong:
        reason = wrong.message if isinstance(wrong, ValidationError) else str(wrong)
        raise TruelobeError(
            "rules-unreadable",
            f"This set of rules can't be used: {reason[:300]}.",
            "Correct the file, or choose another set of rules.",
        ) from wrong
    return rules


def load_rule_set(which: str | Path = SHIPPED[0]) -> RuleSet:
    """Read a shipped set by its name, or any set by its path.

    Raises
    ------
    TruelobeError
        ``rules-missing`` or ``rules-unreadable``.
    """
    path = data_path("calibration", "standards", f"{which}.json") if which in SHIPPED else Path(which)
    try:
        written = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as absent:
        raise TruelobeError(
            "rules-missing", f"There is no set of rules called {which}.", "Choose one from the page Rules."
        ) from absent
    except (OSError, ValueError) as wrong:
        raise TruelobeError(
            "rules-unreadable", f"The set of rules {path.name} can't be read.", "Choose another set of rules."
        ) from wrong
    return read_rule_set(written)


@cache
def shipped_rule_sets() -> tuple[RuleSet, ...]:
    """Return every set that comes with the tool."""
    return tuple(load_rule_set(name) for name in SHIPPED)
