"""A graded plate in words, for pages and sheets alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from truelobe.figures import Figure
from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.pepper import GradeOutcome
from truelobe.grading.plate import PlateGrade, marked
from truelobe.grading.shape import shape_of, suggestions
from truelobe.grading.vocabulary import FACTS
from truelobe.report.overlay import named_marks
from truelobe.report.words import chance, count, listed, numbers
from truelobe.units import give_or_take, inch_fraction, percent


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


@dataclass(frozen=True)
class ShapeRow:
    """The shape of one pepper as the outline shows it, beside the coach's word."""

    number: int
    word: str
    lines: tuple[str, ...]
    second_look: str


def shape_rows(document: Mapping[str, Any], hand: HandFacts) -> tuple[ShapeRow, ...]:
    """Return the shape figures of every pepper. Suggestions are for a second look; the coach's word decides."""
    rows = []
    for pepper in document["peppers"]:
        shape = shape_of(pepper)
        said = (
            ("length over diameter", shape.length_to_diameter, ""),
            ("one side fuller than the other by", shape.asymmetry, " %"),
            ("middle line off straight by", shape.bend, " % of the length"),
            ("blossom end as wide as the stem end, times", shape.taper, ""),
        )
        lines = tuple(_shown(label, figure, unit) for label, figure, unit in said if figure is not None)
        look = ", ".join(suggestions(shape))
        rows.append(ShapeRow(pepper["number"], str(hand.value(pepper["number"], "shape")), lines, look))
    return tuple(rows)


def _shown(label: str, figure: Figure, unit: str) -> str:
    """Write a ratio with two digits, a share in percent."""
    factor, digits = (100, 0) if unit else (1, 2)
    wide = max(figure.half_width * factor, 10.0**-digits)
    return f"{label} {figure.value * factor:.{digits}f}{unit}, give or take {wide:.{digits}f}"


def shape_lines(document: Mapping[str, Any]) -> list[str]:
    """Say the shape of each pepper's side seen in one short sentence."""
    lines = []
    for pepper in document["peppers"]:
        shape = shape_of(pepper)
        said = (
            (shape.length_to_diameter, "long for its width {:.2f}", 1),
            (shape.asymmetry, "uneven by {:.0f} %", 100),
            (shape.bend, "bent by {:.0f} %", 100),
            (shape.taper, "taper {:.2f}", 1),
        )
        parts = [words.format(factor * figure.value) for figure, words, factor in said if figure is not None]
        if parts:
            lines.append(f"Number {pepper['number']}: {', '.join(parts)}.")
    return lines


def mark_lines(document: Mapping[str, Any]) -> list[str]:
    """Say the areas that were marked on the picture, each with its uncertainty."""
    lines = []
    for pepper in document["peppers"]:
        for (name, _), mark in zip(named_marks(pepper), marked(pepper), strict=True):
            fact = FACTS[mark.fact].label.lower() if mark.fact else "not named yet, so it counts for nothing"
            circle, share = mark.circle_mm, mark.share_seen
            lines.append(
                f"{name}, {fact}: {mark.area_mm2.value:.0f} mm², give or take {mark.area_mm2.half_width:.0f}; "
                f"as a circle {inch_fraction(circle.value)} across, "
                f"{give_or_take(circle.value, circle.half_width)}; {percent(share.value)} of the skin seen, "
                f"give or take {max(100 * share.half_width, 0.1):.1f} points."
            )
            lines += [f"{message.text} {message.what_to_do}" for message in mark.messages]
    return lines


def look_lines(document: Mapping[str, Any]) -> list[str]:
    """Say which places of the skin are worth a look. They bear no name and count for nothing."""
    lines = []
    for pepper in document["peppers"]:
        looks = Counter(spot["look"] for spot in pepper.get("spots") or ())
        if looks:
            each = listed([f"{count(many)} {look}" for look, many in looks.items()])
            lines.append(f"Number {pepper['number']}: {each} place{'s' if sum(looks.values()) > 1 else ''}.")
    return lines


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
