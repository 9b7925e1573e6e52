"""A measurement document in plain words: the line under the picture, the figures, the picture's description.

Words on the surface are American English, lengths in inches and millimetres. "Give or take" is the half-width of
the 95 % interval everywhere.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from truelobe.figures import Figure
from truelobe.units import give_or_take, inch_fraction, inches, percent

PRACTICE_AID = "Practice aid, not an inspection."
GIVE_OR_TAKE = "“Give or take” is half of the range that holds the true value 19 times out of 20."

_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
QUANTITY_WORDS: Mapping[str, str] = {
    "diameter": "Diameter",
    "length": "Length",
    "not_fully_coloured": "Not fully colored",
}
_FIELDS: Mapping[str, str] = {
    "diameter": "diameter_mm",
    "length": "length_mm",
    "not_fully_coloured": "not_fully_coloured",
}


@dataclass(frozen=True)
class Reading:
    """One figure as a person reads it.

    Attributes
    ----------
    quantity : str
        Name in the document: ``"diameter"``.
    label : str
        ``"Diameter"``.
    first, second : str
        The answer, and the same with its uncertainty; `second` is empty where there is nothing to add.
    by_hand : bool
        Whether a person measured it.
    """

    quantity: str
    label: str
    first: str
    second: str
    by_hand: bool


def count(number: int) -> str:
    """Write a small number as a word.

    >>> count(5), count(14)
    ('five', '14')
    """
    return _COUNTS[number] if number < len(_COUNTS) else str(number)


def listed(words: Sequence[str]) -> str:
    """Join words as a sentence does.

    >>> listed(["1", "4", "5"])
    '1, 4 and 5'
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def numbers(peppers: Sequence[int]) -> str:
    """Name peppers by number.

    >>> numbers([3]), numbers([2, 5])
    ('number 3', 'numbers 2 and 5')
    """
    return f"number{'s' if len(peppers) > 1 else ''} {listed([str(n) for n in peppers])}"


def summary(document: Mapping[str, Any]) -> str:
    """Say in one line what a photo showed: how many peppers, what they meet, what would settle a close call.

    Parameters
    ----------
    document : mapping
        A measurement document.
    """
    peppers = document["peppers"]
    if document["status"] == "refused":
        return "This photo was not measured."
    if not peppers:
        return "No pepper was found in this photo."
    sentences = [f"{count(len(peppers)).capitalize()} pepper{'s' if len(peppers) != 1 else ''}."]
    close: list[tuple[int, Mapping[str, Any]]] = []
    sure = [pepper for pepper in peppers if not pepper.get("doubtful")]
    for quantity in ("diameter", "not_fully_coloured"):
        decided = _lowest_limit(sure, quantity)
        if decided:
            sentences.append(_outcome_sentence(decided))
            close += [(n, decided[n]) for n in sorted(decided) if decided[n]["outcome"] == "too close"]
    return " ".join([*sentences, *_doubts(peppers), *_next_step(close)])


def _doubts(peppers: Sequence[Mapping[str, Any]]) -> list[str]:
    waiting = [pepper for pepper in peppers if pepper.get("doubtful")]
    doubtful = [pepper["number"] for pepper in waiting if not pepper.get("cut_off")]
    cut_off = [pepper["number"] for pepper in waiting if pepper.get("cut_off")]
    said = []
    if doubtful:
        them = "it" if len(doubtful) == 1 else "them"
        verb = "has a doubtful outline and does not count yet" if len(doubtful) == 1 else "have doubtful outlines"
        said.append(f"{numbers(doubtful).capitalize()} {verb}: keep {them} or remove {them}.")
    if cut_off:
        verb = "is" if len(cut_off) == 1 else "are"
        said.append(
            f"{numbers(cut_off).capitalize()} {verb} cut off by the photo's edge: step back and take it again."
        )
    return said


def _lowest_limit(peppers: Sequence[Mapping[str, Any]], quantity: str) -> dict[int, Mapping[str, Any]]:
    """Return by pepper number what was decided about the lowest limit of one quantity, on what the photo shows."""
    decided = [
        (pepper["number"], decision)
        for pepper in peppers
        for decision in pepper["decisions"]
        if decision["quantity"] == quantity and decision["limit"] is not None
    ]
    lowest = min((decision["limit"] for _, decision in decided), default=None)
    at_lowest = [(number, decision) for number, decision in decided if decision["limit"] == lowest]
    return dict(reversed(at_lowest)) if at_lowest else {}


def _outcome_sentence(decided: Mapping[int, Mapping[str, Any]]) -> str:
    total, any_decision = len(decided), next(iter(decided.values()))
    goal = _goal(any_decision)
    by_outcome: dict[str, list[int]] = {}
    for number in sorted(decided):
        by_outcome.setdefault(decided[number]["outcome"], []).append(number)
    parts = []
    met, missed, close = (by_outcome.get(o, ()) for o in ("met", "missed", "too close"))
    if met:
        whole = {1: "It meets", 2: "Both meet"}.get(total, f"All {count(total)} meet")
        some = f"{count(len(met)).capitalize()} meet{'s' if len(met) == 1 else ''}"
        parts.append(f"{whole if len(met) == total else some} {goal}")
    if missed:
        verb = "misses" if len(missed) == 1 else "miss"
        parts.append(f"{numbers(missed)} {verb} {'it' if met else goal}")
    if close:
        verb = "is" if len(close) == 1 else "are"
        parts.append(f"{numbers(close)} {verb} too close to call{'' if met or missed else f' for {goal}'}")
    for outcome, those in by_outcome.items():
        if outcome not in ("met", "missed", "too close"):
            parts.append(f"{numbers(those)}: {outcome}")
    sentence = "; ".join(parts)
    return f"{sentence[0].upper()}{sentence[1:]}."


def _goal(decision: Mapping[str, Any]) -> str:
    if decision["quantity"] == "not_fully_coloured":
        return f"the {percent(decision['limit'])} color rule"
    return inch_fraction(decision["limit"])


def _next_step(close: Sequence[tuple[int, Mapping[str, Any]]]) -> list[str]:
    for number, decision in close:
        if decision.get("what_would_settle"):
            return [f"To settle number {number}: {_small_first(decision['what_would_settle'])}"]
    return []


def _small_first(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def readings(pepper: Mapping[str, Any]) -> tuple[Reading, ...]:
    """Return the figures of a pepper as a person reads them, in the order diameter, length, color."""
    return tuple(_reading(quantity, pepper.get(field)) for quantity, field in _FIELDS.items())


def _reading(quantity: str, written: Mapping[str, Any] | None) -> Reading:
    label = QUANTITY_WORDS[quantity]
    if written is None:
        missing = "not checked" if quantity == "not_fully_coloured" else "not seen"
        return Reading(quantity, label, missing, "", False)
    figure = Figure.from_document(written)
    if quantity == "not_fully_coloured":
        second = f"give or take {_points(figure.half_width)}"
        return Reading(quantity, label, percent(figure.value), second, figure.by_hand)
    first, second = inch_fraction(figure.value), give_or_take(figure.value, figure.half_width)
    return Reading(quantity, label, first, second, figure.by_hand)


def _points(half_width: float) -> str:
    points = max(1, round(100 * half_width))
    return f"{points} point{'' if points == 1 else 's'}"


def limit_words(decision: Mapping[str, Any]) -> str:
    """Say what a decision was about: ``Diameter at least 2-1/2 in``."""
    label = QUANTITY_WORDS[decision["quantity"]]
    if decision["limit"] is None:
        return label
    if decision["unit"] == "fraction":
        return f"{label} under {percent(decision['limit'])}"
    return f"{label} at least {inch_fraction(decision['limit'])}"


def basis_words(decision: Mapping[str, Any]) -> str:
    """Say which skin a decision about color speaks for; lengths need no such word."""
    if decision["quantity"] != "not_fully_coloured":
        return ""
    return ", skin seen" if decision["basis"] == "seen" else ", whole skin"


def chance(decision: Mapping[str, Any]) -> str:
    """Say how likely it is that the limit is met; empty where no probability was worked out.

    >>> chance({"probability_met": 0.9987}), chance({"probability_met": 0.621})
    ('more than 99 % likely met', '62 % likely met')
    """
    probability = decision.get("probability_met")
    if probability is None:
        return ""
    if probability > 0.99:
        return "more than 99 % likely met"
    if probability < 0.01:
        return "less than 1 % likely met"
    return f"{100 * towards_even(probability, 2):.0f} % likely met"


_UNITS = re.compile(r"(\d) (%|in\b|mm\b|s\b)")


def unit_kept(words: str) -> str:
    """Keep each number on one line with its unit.

    >>> unit_kept("81 mm, in all")
    '81\\xa0mm, in all'
    """
    return _UNITS.sub("\\1\u00a0\\2", words)


def towards_even(probability: float, digits: int) -> float:
    """Round a probability towards even odds, so that what falls short of a level never reads as if it reached it.

    >>> towards_even(0.946, 2), towards_even(0.0542, 2), towards_even(0.95, 2)
    (0.94, 0.06, 0.95)
    """
    scaled = round(probability * 10**digits, 6)
    return float(math.floor(scaled) if probability > 0.5 else math.ceil(scaled)) / 10.0**digits


def alt_text(document: Mapping[str, Any]) -> str:
    """Describe the annotated picture for those who do not see it."""
    peppers = document["peppers"]
    if not peppers:
        return "The photo of the plate, with no pepper outlined."
    each = "; ".join(pepper_alt_text(pepper) for pepper in peppers)
    return f"The photo of the plate with {count(len(peppers))} outlined and numbered: {each}."


def pepper_alt_text(pepper: Mapping[str, Any]) -> str:
    """Describe one pepper in a picture: number, color and size."""
    diameter = pepper.get("diameter_mm")
    words = f"pepper {pepper['number']}"
    if pepper.get("colour"):
        words += f", {pepper['colour']}"
    if diameter:
        words += f", {inches(diameter['value']):.1f} inches across"
    return words + (f", {waits}" if (waits := why_not_measured(pepper)) else "")


def why_not_measured(pepper: Mapping[str, Any]) -> str:
    """Say in two or three words why a pepper waits for the coach's word; empty where it does not."""
    if not pepper.get("doubtful"):
        return ""
    return "cut off by the photo's edge" if pepper.get("cut_off") else "outline doubtful"
