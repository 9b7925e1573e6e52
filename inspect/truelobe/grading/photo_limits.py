"""The limits that a photo alone can decide, taken out of a rule set: sizes, and the house color rule."""

from __future__ import annotations

from truelobe.grading.decisions import Limit, Quantity
from truelobe.grading.rule_set import RuleSet


def photo_limits(rules: RuleSet, house: RuleSet) -> tuple[Limit, ...]:
    """Return the entered size limits of a set, lowest grade first, then the house limits on color.

    Sets that measure the diameter elsewhere than at its greatest give no limit that a photo can decide.
    """
    limits = []
    quantities: tuple[Quantity, ...] = ("diameter", "length")
    for quantity in quantities:
        if quantity == "diameter" and rules.diameter_at not in ("greatest", "overall"):
            continue
        for grade in reversed(rules.grades):
            for needed in grade.requirements:
                if needed.kind == "size" and needed.fact == quantity and needed.value is not None:
                    limits.append(Limit(f"{grade.name} size", quantity, needed.value, "mm", "at least"))
    for grade in house.grades:
        for needed in grade.requirements:
            if needed.kind == "colour_area":
                limits.append(Limit("house color rule", "not_fully_coloured", needed.value, "fraction", "under"))
    return tuple(limits)
