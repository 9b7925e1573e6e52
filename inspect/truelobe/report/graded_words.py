"""A graded plate in words, for pages and sheets alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.pepper import GradeOutcome
from truelobe.grading.plate import PlateGrade
from truelobe.grading.vocabulary import FACTS
from truelobe.report.words import chance, numbers


@dataclass(frozen=True)
class RequirementRow:
    """One requirement as a person reads it."""

    outcome: str
    label: str
    small: str


def day_words(day: date) -> str:
    """Write a day.

    >>> day_words(date(2026, 5, 4))
    'May 4, 2026'
    """
    return f"{day:%B} {day.day}, {day.year}"


def settled_word(grade: GradeOutcome) -> str:
    """Return one word for a grade: met, missed, or the first reason why it is open."""
    return "met" if grade.reached else grade.in_the_way[0].outcome


def grade_names(graded: PlateGrade) -> tuple[str, ...]:
    """Return the names of the grades, highest first."""
    return tuple(grade.name for grade in graded.peppers[0].grades) if graded.peppers else ()


def colour_rows(graded: PlateGrade) -> tuple[tuple[int, str, str], ...]:
    """Return per pepper its number and the outcomes of the two color rules; empty where a set names no color."""
    if not graded.any_amount:
        return ()
    triples = zip(graded.peppers, graded.any_amount, graded.house, strict=True)
    return tuple((pepper.number, named.outcome, area.outcome) for pepper, named, area in triples)


def requirement_rows(graded: PlateGrade, number: int) -> tuple[RequirementRow, ...]:
    """Return every requirement of one pepper, those that are not met first, each demand once."""
    pepper = next(one for one in graded.peppers if one.number == number)
    rows = []
    for outcome in sorted(pepper.outcomes, key=lambda one: one.passes):
        likely = chance({"probability_met": outcome.probability})
        by = "" if outcome.by == "nobody" else f"by {outcome.by}" if outcome.by != "photo" else "by the photo"
        small = " · ".join(filter(None, [outcome.grade, outcome.says, likely, by, outcome.note]))
        rows.append(RequirementRow(outcome.outcome, outcome.label, small))
    return tuple(rows)


def hand_lines(peppers: Sequence[int], hand: HandFacts) -> list[str]:
    """Say what was found by hand: exceptions first, then what was in order, then what nobody looked at."""
    if not hand.days():
        return ["Nothing was recorded by hand."]
    lines, clean, unchecked = [], [], set()
    for number in peppers:
        looked = {name for name, fact in FACTS.items() if fact.kind != "number" and hand.latest(number, name)}
        unchecked |= {name for name, fact in FACTS.items() if fact.kind != "number" and name not in looked}
        said = [f"{FACTS[e.fact].label.lower()}: {e.value}" for e in hand.exceptions(number)]
        said += [
            f"{fact.label.lower()} {entry.value:g} {fact.unit}".rstrip()
            for name, fact in FACTS.items()
            if (entry := hand.latest(number, name)) and isinstance(entry.value, (int, float))
        ]
        if said:
            lines.append(f"Number {number}: {'; '.join(said)}.")
        elif looked:
            clean.append(number)
    if clean:
        lines.append(f"Nothing found on {numbers(clean)}.")
    lines.append(f"Looked at on {', then '.join(map(day_words, hand.days()))}.")
    for first, last in hand.changes():
        label = FACTS[last.fact].label.lower()
        then = day_words(first.at.date())
        lines.append(f"Number {last.pepper}, {label}: {first.value} on {then}, later {last.value}.")
    if unchecked:
        names = [FACTS[name].label.lower() for name in FACTS if name in unchecked]
        few = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
        lines.append(f"Not checked on every pepper: {few}.")
    return lines
