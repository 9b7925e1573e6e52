"""The facts that hand, eye and nose find, in the words the trade uses.

A *word* fact takes one of a few words, best first. A *defect* takes a step of the ladder that U.S. standards
share: injury, damage and serious damage detract more than slightly, materially and seriously from appearance,
edible or shipping quality (ladder words of 7 CFR 51.1221, 51.3157 and 51.1913). A *number* is read off a tool.

Which facts count as quality and which as condition is *common practice, no published source*; the coach may move
each one. Disputed ones are marked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Kind = Literal["word", "defect", "number"]
Side = Literal["quality", "condition"]

NOT_CHECKED = "not checked"
NONE = "none"
LADDER: tuple[str, ...] = (NONE, "slight", "injury", "damage", "serious damage")


@dataclass(frozen=True)
class Fact:
    """One thing to look at.

    Attributes
    ----------
    name : str
        As it stands in documents.
    label : str
        As a person reads it.
    kind : {"word", "defect", "number"}
    words : tuple of str
        The possible words, best first; empty for a number.
    side : {"quality", "condition"} or None
        The default side; None for facts that belong to neither.
    disputed : bool
        True where judges are known to disagree on the side.
    unit : str
        Of a number.
    low, high : float
        What a number may plausibly be.
    sound : str or None
        The word of "all looked at, nothing found".
    """

    name: str
    label: str
    kind: Kind
    words: tuple[str, ...] = ()
    side: Side | None = None
    disputed: bool = False
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    sound: str | None = None


def _word(name: str, label: str, *words: str, side: Side | None, disputed: bool = False) -> Fact:
    return Fact(name, label, "word", words, side, disputed, sound=words[0])


def _defect(name: str, label: str, side: Side, disputed: bool = False) -> Fact:
    return Fact(name, label, "defect", LADDER, side, disputed, sound=NONE)


def _number(name: str, label: str, unit: str, low: float, high: float) -> Fact:
    return Fact(name, label, "number", unit=unit, low=low, high=high)


_ALL = (
    _word("firmness", "Firmness", "firm", "fairly firm", "soft", side="condition"),
    _word("freshness", "Freshness", "fresh", "fairly fresh", "not fresh", side="condition"),
    _word("cleanness", "Cleanness", "clean", "fairly clean", "dirty", side="condition", disputed=True),
    _word(
        "shape",
        "Shape",
        "well shaped",
        "fairly well shaped",
        "misshapen but not seriously",
        "seriously misshapen",
        side="quality",
    ),
    _word("maturity", "Maturity", "mature", "not mature", side="quality"),
    _word("type", "Variety type", "like the others", "another type", side="quality"),
    _word("calyx", "Calyx", "intact", "damaged", "missing", side="quality", disputed=True),
    _word("stem", "Stem", "intact", "slightly damaged", "damaged", "missing", side="quality", disputed=True),
    _word("stem_trim", "Stem trim", "as asked", "too long", "too short", "torn", side="quality"),
    _defect("decay_wall", "Decay of the wall", "condition"),
    _defect("decay_calyx", "Decay of the calyx", "condition"),
    _defect("decay_stem", "Decay of the stem", "condition"),
    _defect("crushed", "Crushed", "condition"),
    _defect("broken", "Broken", "condition"),
    _defect("shriveled", "Shriveled", "condition"),
    _defect("wilted", "Wilted", "condition"),
    _defect("bruised", "Bruised", "condition"),
    _defect("pitted", "Pitted", "condition", disputed=True),
    _defect("sunscald", "Sunscald", "quality", disputed=True),
    _defect("sunburn", "Sunburn", "quality", disputed=True),
    _defect("scars", "Scars", "quality"),
    _defect("insects", "Insect marks", "quality", disputed=True),
    _defect("hail", "Hail marks", "quality"),
    _defect("freezing", "Freezing injury", "condition", disputed=True),
    _defect("disease", "Disease", "condition", disputed=True),
    _defect("mechanical", "Mechanical injury", "quality", disputed=True),
    _defect("discoloration", "Discoloration (silvery skin too)", "condition", disputed=True),
    _defect("other", "Anything else", "condition", disputed=True),
    _defect("together", "All defects together", "quality", disputed=True),
    _number("lobes", "Lobes", "", 1, 8),
    _number("diameter", "Diameter by hand", "mm", 10, 250),
    _number("stalk_diameter", "Diameter at the stalk end by hand", "mm", 10, 250),
    _number("length", "Length by hand", "mm", 10, 400),
    _number("weight", "Weight", "g", 5, 1500),
)

FACTS: Mapping[str, Fact] = {fact.name: fact for fact in _ALL}

#: What "all looked at, nothing found" covers until the coach sets another list.
USUAL_LIST: tuple[str, ...] = tuple(fact.name for fact in _ALL if fact.kind != "number")

#: Defects whose area on the skin can be marked. Sunscald and decay are excluded flatly, however small.
MEASURED: tuple[str, ...] = (
    "scars", "sunburn", "hail", "mechanical", "disease", "insects", "discoloration", "bruised", "pitted", "other",
)  # fmt: skip


def sides(moved: Mapping[str, Side] | None = None) -> dict[str, Side]:
    """Return the side of every fact that has one.

    Parameters
    ----------
    moved : mapping, optional
        The coach's own sides, which go before the default ones.
    """
    default: dict[str, Side] = {name: fact.side for name, fact in FACTS.items() if fact.side is not None}
    return default | {name: side for name, side in (moved or {}).items() if name in default}
