"""Cautions, short and sourced, in one place: pages, sheets and exports take them from here."""

from __future__ import annotations

from dataclasses import dataclass

PRACTICE_AID = "Practice aid, not an inspection."


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes
    ----------
    topic : str
    text : str
        For the reader.
    source : str
        Where it was read; *common practice, no published source* where there is none.
    """

    topic: str
    text: str
    source: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "grade",
        "A U.S. grade belongs to a lot, and only AMS or its licensed graders state it. This says which measured "
        "and recorded requirements these peppers meet. A contest's own officials decide its placing.",
        "AMS, Fresh Products Grading; 7 U.S.C. 1622(h)",
    ),
    Caution(
        "eating",
        "Do not eat practice produce. Throw away what is moldy or soft; do not cut the bad part out.",
        "USDA FSIS, Molds on Food; the rule for a class is ours",
    ),
    Caution(
        "mold",
        "Do not sniff moldy produce. Bag it, bin it out of reach of children and animals, clean what it touched.",
        "USDA FSIS, Molds on Food",
    ),
    Caution(
        "hands",
        "Wash hands with soap for at least 20 seconds before and after handling produce.",
        "University of Kentucky 4-H, Staying Safe in the Kitchen",
    ),
    Caution(
        "knives",
        "Judging needs no knife. If fruit must be opened, an adult does it, away from the judging table.",
        "Common practice, no published source",
    ),
    Caution(
        "allergy",
        "Pepper allergy is rare but real. Anyone who itches, swells or wheezes stops, washes and tells an adult.",
        "Groenewoud et al. 2002, doi 10.1046/j.1365-2222.2002.01307.x; Ruger 2009",
    ),
    Caution(
        "rules",
        "Local rules come first: your show's book, your school's food rules, your health department.",
        "Common practice, no published source",
    ),
)


def caution(topic: str) -> Caution:
    """Return one caution by its topic."""
    return next(one for one in CAUTIONS if one.topic == topic)


def foot_line() -> str:
    """Return the line that closes every page and sheet."""
    return f"{PRACTICE_AID} {caution('grade').text}"
