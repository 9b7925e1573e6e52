"""What a drill asks and tells, in words: the same on the coach's machine and on phones."""

from __future__ import annotations

from truelobe.practice.blocks import BARE, CLOSE, LIMIT_MM, OVER, UNDER, Answer
from truelobe.practice.pictures import HOUSE_PERCENT, Picture
from truelobe.units import inch_fraction, percent

KINDS: dict[str, str] = {
    "percent": "Color by percent",
    "threshold": "Color: over or under",
    "size": "Size by eye",
    "limit": "Size against 2-1/2 in",
    "side": "The other side",
}
FOCUSES: dict[str, dict[str, str]] = {
    "percent": {
        "": "Everything",
        "small": "Small patches",
        "red": "Red",
        "yellow": "Yellow",
        "orange": "Orange",
        "green": "Green",
        "own": "Our own gallery",
    },
    "size": {"": "With a bank card beside it", "bare": "With nothing beside it"},
}
"""What a drill can be about, by its kind; "" is the plain one."""
CALLS = {"Under": UNDER, "Too close": CLOSE, "Over": OVER}
#: What "size by eye" offers: eighths of an inch from 1 to 7 inches.
SIZES_MM = tuple(25.4 * k / 8 for k in range(8, 57))
_ASKS = {
    "percent": "How many percent of the skin you see are not fully colored?",
    "threshold": f"Is it over or under {HOUSE_PERCENT:.0f} % not fully colored?",
    "size": "How wide is it here, and how long without the stem?",
    "limit": f"Is its greatest diameter over or under {inch_fraction(LIMIT_MM)} ({LIMIT_MM:g} mm)?",
    "side": "How many percent are not fully colored on the other side, the one you can't see?",
}


def asks(kind: str) -> str:
    """Return the question of a kind of drill."""
    return _ASKS[kind]


def both_units(mm: float) -> str:
    """Write a length in inches and millimetres.

    >>> both_units(63.5)
    '2-1/2 in (64 mm)'
    """
    return f"{inch_fraction(mm)} ({mm:.0f} mm)"


def scale_words(focus: str) -> str:
    """Say what shows how large a pepper of a size drill is."""
    card = "" if focus == BARE else " The bank card is 3-3/8 in (85.6 mm) wide."
    return f"All peppers are shown at one scale.{card}"


def tells(kind: str, answer: Answer, picture: Picture) -> str:
    """Return the truth of an answered picture, and how the answer lies to it."""
    if kind in ("percent", "side"):
        return _percent(kind, answer, picture)
    if kind == "size":
        assert answer.second_answer is not None
        assert answer.second_truth is not None
        return (
            f"Width here: {both_units(answer.truth)}, you said {inch_fraction(answer.answer)}. Length: "
            f"{both_units(answer.second_truth)}, you said {inch_fraction(answer.second_answer)}. "
            f"Turned to its widest it measures {both_units(picture.diameter_mm)}."
        )
    called = next(word for word, value in CALLS.items() if value == answer.answer).lower()
    right = next(word for word, value in CALLS.items() if value == answer.second_truth).lower()
    is_now = percent(answer.truth / 100) if kind == "threshold" else both_units(answer.truth)
    sure = f", give or take {picture.give_or_take:.0f} points" if picture.own else ""
    agreed = "Right." if called == right else f"You said {called}."
    return f"It is {is_now}{sure}: {right}. {agreed}"


def _percent(kind: str, answer: Answer, picture: Picture) -> str:
    off = answer.answer - answer.truth
    apart = "Spot on." if abs(off) < 1 else f"{abs(off):.0f} points too {'much' if off > 0 else 'little'}."
    if kind == "side":
        seen = answer.second_truth or 0.0
        return (
            f"It is {percent(answer.truth / 100)} on that side. You said {answer.answer:.0f} %. {apart} "
            f"The side you saw has {percent(seen / 100)}: judged from that one view alone, the pepper would be "
            f"{abs(seen - answer.truth):.0f} points off."
        )
    if picture.own:
        if abs(off) <= picture.give_or_take:
            apart = "That is as close as the tool itself can tell."
        return (
            f"The tool measured {percent(answer.truth / 100)}, give or take {picture.give_or_take:.0f} points. "
            f"You said {answer.answer:.0f} %. {apart}"
        )
    return f"It is {percent(answer.truth / 100)}. You said {answer.answer:.0f} %. {apart}"
