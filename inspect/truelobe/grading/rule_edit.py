"""Copy a set of rules, change a number, fill a blank with the source it was read in.

Published sets are never edited in place: a coach copies one and edits the copy. Every change makes the next
revision, so that a record judged under an older one still names it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from truelobe.grading.rule_set import SHIPPED, RuleSet, read_rule_set
from truelobe.grading.vocabulary import FACTS
from truelobe.messages import TruelobeError

HOUSE = "house-rules"
_RANGES = {"mm": (0.5, 300.0), "mm2": (1.0, 20000.0), "fraction": (0.001, 1.0), "percent": (0.0, 100.0)}


@dataclass(frozen=True)
class Field:
    """One number of a set that a coach may change.

    Attributes
    ----------
    path : tuple of str or int
        Where it stands in the document.
    label : str
        What it is, in words.
    unit : {"mm", "mm2", "fraction", "percent"}
    value : float or None
        None where the field is blank.
    may_be_none : bool
        True where "the text sets no such limit" is a possible finding.
    none_set : bool
        True where that was found.
    """

    path: tuple[str | int, ...]
    label: str
    unit: str
    value: float | None
    may_be_none: bool = False
    none_set: bool = False

    @property
    def blank(self) -> bool:
        """Whether nobody has entered it."""
        return self.value is None and not self.none_set


def _requirement_fields(document: dict[str, Any]) -> list[Field]:
    found = []
    for g, grade in enumerate(document["grades"]):
        for r, needed in enumerate(grade["requirements"]):
            at: tuple[str | int, ...] = ("grades", g, "requirements", r)
            if needed["kind"] == "size" and "by_type_mm" in needed:
                for kind, value in needed["by_type_mm"].items():
                    label = f"{grade['name']}: smallest {needed['quantity']}, {kind}"
                    found.append(Field((*at, "by_type_mm", kind), label, "mm", value))
            elif needed["kind"] == "size":
                label = f"{grade['name']}: smallest {needed['quantity']}"
                none_set = needed.get("none_set", False)
                found.append(Field((*at, "value_mm"), label, "mm", needed["value_mm"], True, none_set))
            elif needed["kind"] == "colour_area":
                label = f"{grade['name']}: not fully colored, less than"
                found.append(Field((*at, "under"), label, "fraction", needed["under"]))
            elif needed["kind"] == "colour_any":
                label = f"{grade['name']}: share of peppers that show the color named"
                found.append(Field((*at, "share_of_peppers"), label, "fraction", needed["share_of_peppers"]))
    return found


def fields(rules: RuleSet) -> tuple[Field, ...]:
    """Return every number of a set, blank ones included, in the order of the document."""
    document = rules.document()
    found = _requirement_fields(document)
    for n, line in enumerate(document["ladder"]):
        label = f"{FACTS[line['fact']].label}, {line['level']}: {line['measure']}"
        found.append(Field(("ladder", n, "value"), label, line["unit"], line["value"]))
    for n, line in enumerate(document["tolerances"]):
        found.append(Field(("tolerances", n, "percent"), f"Tolerance. {line['what']}", "percent", line["percent"]))
    return tuple(found)


def blanks(rules: RuleSet) -> tuple[Field, ...]:
    """Return the fields that nobody has entered."""
    return tuple(field for field in fields(rules) if field.blank)


def copy_set(rules: RuleSet, name: str, taken: Sequence[str] = ()) -> RuleSet:
    """Return a copy under the coach's own name.

    Parameters
    ----------
    rules : RuleSet
    name : str
        Up to 80 characters.
    taken : sequence of str
        Identifiers already in use.

    Raises
    ------
    TruelobeError
        ``rules-name`` when the name is empty or too long.
    """
    name = " ".join(name.split())
    if not 1 <= len(name) <= 80:
        raise TruelobeError("rules-name", "A set of rules needs a name of up to 80 characters.", "Type a name.")
    base = "own-" + (re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "rules")
    used, new, n = {*SHIPPED, *taken}, base, 2
    while new in used:
        new, n = f"{base}-{n}", n + 1
    copied = {"id": rules.id, "revision": rules.revision, "edition": rules.edition}
    named = {"id": new, "revision": 1, "name": name, "short_name": name, "copied_from": copied}
    return read_rule_set(rules.document() | named)


def _holder(document: Any, path: Sequence[str | int]) -> Any:
    for step in path[:-1]:
        document = document[step]
    return document


def with_value(
    rules: RuleSet, field: Field, value: float | None, *, source: str, on: date, none_set: bool = False
) -> RuleSet:
    """Return the next revision of a set, with one number changed and its source beside it.

    Parameters
    ----------
    rules : RuleSet
        A coach's own set or the house rules.
    field : Field
        One of `fields(rules)`.
    value : float or None
        In the field's unit; None empties the field.
    source : str
        Where the number was read, or why the coach sets it.
    on : date
        The day it was read.
    none_set : bool
        The text was read and sets no such limit.

    Raises
    ------
    TruelobeError
        ``rules-published``, ``rules-source``, ``rules-value``.
    """
    if rules.id in SHIPPED and rules.id != HOUSE:
        raise TruelobeError(
            "rules-published", "A published set is kept as it was read.", "Copy the set, then change your copy."
        )
    source = " ".join(source.split())
    if not 3 <= len(source) <= 400:
        raise TruelobeError("rules-source", "A number needs the source it was read in.", "Say where you read it.")
    low, high = _RANGES[field.unit]
    strange = none_set and (value is not None or not field.may_be_none)
    if strange or (value is not None and not low <= value <= high):
        raise TruelobeError(
            "rules-value", f"{field.label}: this can't be right.", f"Type a number from {low:g} to {high:g}."
        )
    document = rules.document()
    key = f"entered-{rules.revision + 1}"
    document["sources"][key] = {"title": source, "where": None, "read": on.isoformat()}
    holder = _holder(document, field.path)
    holder[field.path[-1]] = value
    about = holder if "confidence" in holder else _holder(document, field.path[:-1])
    filled = value is not None or none_set
    about |= {"confidence": "read by the coach" if filled else "not seen", "source": key if filled else None}
    about.pop("as_written", None)
    if field.may_be_none:
        holder["none_set"] = none_set
    return read_rule_set(document | {"revision": rules.revision + 1})
