"""What the lesson shows and says."""

from __future__ import annotations

from functools import cache

from truelobe.practice.pictures import HOUSE_PERCENT, Picture, pictures
from truelobe.units import percent

COLOURS = ("red", "yellow", "orange", "green")
TRAPS = (
    (
        "Highlight",
        "A white shine is light, not color. Look at the skin beside it; the shine counts on neither side.",
    ),
    ("Shadow", "Ripe skin in shadow looks brown. Tilt the plate to the light before you call it unripe."),
    ("Sunburn", "Bleached skin on a green pepper is a defect, not color; it is judged as that and left out here."),
    (
        "The side not seen",
        "One view shows less than half of the skin. What it proves about the rest is only a bound.",
    ),
    (
        "The rim",
        "Skin at the edge turns away from you: a thin band there holds more skin than it seems. The outer "
        "quarter of a round pepper's picture holds half of the skin that faces you.",
    ),
)


@cache
def lesson_picture(colour: str) -> Picture:
    """Return a picture of a color that is neither bare nor full: nearest to 25 percent."""
    fitting = [p for p in pictures().values() if p.colour == colour]
    return min(fitting, key=lambda p: (abs(p.percent() - 25), p.id))


def house_words(picture: Picture) -> str:
    """Return what the house rule says of a picture's seen side."""
    share = picture.percent()
    outcome = "is downgraded" if share >= HOUSE_PERCENT else "passes"
    return (
        f"House rule (common practice, no published source): {HOUSE_PERCENT:.0f} % or more not fully colored is "
        f"downgraded. This one shows {percent(share / 100)}, so it {outcome} by what is seen."
    )


def us_words(picture: Picture) -> str:
    """Return what the U.S. rule asks of the same picture."""
    shows = "shows" if picture.percent() < 99.95 else "does not show"
    return (
        "U.S. rule: when a lot is named by a color, 90 % of its peppers must show any amount of that color. "
        f"This one {shows} some {picture.colour}. The same pepper can pass one rule and miss the other; a grade "
        "belongs to a lot, and an inspector gives it."
    )
