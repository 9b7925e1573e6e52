"""The plate: how many peppers, what each one meets, how alike they are.

A lot tolerance is a share of a lot. One pepper of a plate of five is already 20 percent, so a plate can't use one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from truelobe.grading.blemish import Blemish
from truelobe.grading.case import Case, RuleOutcome
from truelobe.grading.decisions import Outcome
from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.pepper import GradeOutcome, PepperGrade, blockers, grade_pepper, two_colour_rules
from truelobe.grading.rule_set import RuleSet, load_rule_set
from truelobe.grading.uniformity import Uniformity, uniformity
from truelobe.grading.vocabulary import Side
from truelobe.units import percent

_COUNT_WORDS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)
#: Specimens a plate needs: shows ask for 2 to 6; 5 is the commonest (Nebraska, Oklahoma fair books).
USUAL_COUNT = 5


@dataclass(frozen=True)
class Setting:
    """What the coach sets for a plate.

    Attributes
    ----------
    declared_colour : str or None
    pepper_type : str or None
    wanted : int
        Specimens the show asks for, 2 to 6.
    level : float
        Probability from which a limit counts as met.
    until : date or None
        Judge by the hand facts up to that day.
    moved : mapping
        The coach's own quality and condition sides.
    """

    declared_colour: str | None = None
    pepper_type: str | None = None
    wanted: int = USUAL_COUNT
    level: float = 0.95
    until: date | None = None
    moved: Mapping[str, Side] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not 2 <= self.wanted <= 6:
            raise ValueError("shows ask for 2 to 6 peppers on a plate")
        if not 0.5 < self.level < 1:
            raise ValueError("the level lies between one half and one")


@dataclass(frozen=True)
class ShareOutcome:
    """The colour rule of a whole plate: so many of the peppers show the declared colour."""

    outcome: Outcome
    showing: int
    peppers: int
    needed: float | None
    says: str


@dataclass(frozen=True)
class PlateGrade:
    """What one set of rules says about a plate.

    Attributes
    ----------
    rules : dict
        Stamp of the set.
    peppers : tuple of PepperGrade
    count : str
        The specimen count against the show's number, in words.
    count_right : bool
    any_amount, house : tuple of RuleOutcome
        The two colour rules, pepper by pepper, side by side. Empty where a set has no such rule.
    colour : ShareOutcome or None
        The any-amount rule over the plate.
    uniformity : Uniformity
    answer : str
        In one line.
    lot_note : str
    """

    rules: dict[str, Any]
    peppers: tuple[PepperGrade, ...]
    count: str
    count_right: bool
    any_amount: tuple[RuleOutcome, ...]
    house: tuple[RuleOutcome, ...]
    colour: ShareOutcome | None
    uniformity: Uniformity
    answer: str
    lot_note: str

    @property
    def highest(self) -> str | None:
        """Name of the highest grade that every pepper reaches."""
        return common_grade(self.peppers)

    def document(self) -> dict[str, Any]:
        """Return the grade as a record keeps it."""
        return {
            "rules": self.rules,
            "highest": self.highest,
            "answer": self.answer,
            "count": self.count,
            "count_right": self.count_right,
            "lot_note": self.lot_note,
            "colour": None if self.colour is None else dict(self.colour.__dict__),
            "uniformity": self.uniformity.document(),
            "peppers": [pepper.document() for pepper in self.peppers],
        }


def count_words(n: int) -> str:
    """Write a small number as a word.

    >>> count_words(5)
    'five'
    """
    return _COUNT_WORDS[n] if n < len(_COUNT_WORDS) else str(n)


def common_grade(peppers: Sequence[PepperGrade]) -> str | None:
    """Return the highest grade that every pepper reaches, or None."""
    if not peppers:
        return None
    for n, grade in enumerate(peppers[0].grades):
        if all(any(g.reached for g in pepper.grades[: n + 1]) for pepper in peppers):
            return grade.name
    return None


def _count(found: int, wanted: int) -> str:
    if found == wanted:
        return f"{count_words(found).capitalize()} peppers, as the show asks."
    gap = abs(found - wanted)
    word = "missing" if found < wanted else "too many"
    asked = f"the show asks for {count_words(wanted)}: {count_words(gap)} {word}."
    return f"{count_words(found).capitalize()} found, {asked}"


def _share(outcomes: Sequence[RuleOutcome], rules: RuleSet, declared: str | None) -> ShareOutcome | None:
    asked = [r for g in rules.grades for r in g.requirements if r.kind == "colour_any"]
    if not asked or not outcomes:
        return None
    share, n = asked[0].value, len(outcomes)
    met = sum(o.outcome == "met" for o in outcomes)
    missed = sum(o.outcome == "missed" for o in outcomes)
    if declared in (None, "mixed") or share is None:
        word: Outcome = (
            "not applicable" if declared == "mixed" else "not checked" if share else "limit not entered"
        )
        return ShareOutcome(
            word, met, n, share, "No color named." if declared else "The plate's color is not declared."
        )
    needed = math.ceil(share * n - 1e-9)
    outcome: Outcome = "met" if met >= needed else "missed" if n - missed < needed else "not seen"
    many = f"all {count_words(n)}" if needed == n else f"at least {count_words(needed)} of {count_words(n)}"
    shown = f"{count_words(met).capitalize() if met else 'None'} of {count_words(n)} surely show {declared}"
    says = f"{shown}; {percent(share)} of this plate is {many}."
    return ShareOutcome(outcome, met, n, share, says)


def by_size(peppers: Sequence[PepperGrade]) -> str:
    """Say which size limits are met by figures alone, before a hand has touched the fruit."""
    groups: dict[str, list[int]] = {}
    for pepper in peppers:
        fits = next((g.name for g in pepper.grades if _sizes(g) == {"met"}), "")
        open_ones = any("too close" in _sizes(g) or "not seen" in _sizes(g) for g in pepper.grades)
        groups.setdefault(fits or ("" if open_ones else "none"), []).append(pepper.number)
    words = [
        f"number{'s' if len(n) > 1 else ''} {', '.join(map(str, n))} "
        + ({"": "not settled", "none": "none"}.get(name) or f"meet{'s' if len(n) == 1 else ''} {name}")
        for name, n in groups.items()
    ]
    return f"By size alone: {'; '.join(words)}." if any(_sizes(p.grades[0]) for p in peppers) else ""


def _sizes(grade: GradeOutcome) -> set[str]:
    return {o.outcome for o in grade.outcomes if o.kind == "size"}


def _answer(peppers: Sequence[PepperGrade], rules: RuleSet) -> str:
    """Say the plate in one line: how many meet what, then the first that does not."""
    total = len(peppers)
    start = f"{count_words(total).capitalize()} pepper{'s' if total != 1 else ''}."
    seen = " on the side seen" if any(_on_the_side_seen(p) for p in peppers) else ""
    said: list[tuple[list[PepperGrade], str]] = []
    for n, grade in enumerate(rules.grades):
        reach = [p for p in peppers if any(g.reached for g in p.grades[: n + 1])]
        if not reach or (said and len(reach) == len(said[-1][0])):
            continue
        said.append((reach, grade.name))
        if len(reach) == total:
            break
    if said:
        first, name = said[0]
        parts = [f"{_who(first, total)} the measured and recorded requirements of {name}{seen}"]
        parts += [f"{_who(reach, total).lower()} those of {lower}" for reach, lower in said[1:]]
        held = next((p for p in peppers if p not in first), None)
        return f"{start} {'; '.join(parts)}. {_held(held, name) if held else ''}".strip()
    if not peppers:
        return start
    if all(g.missed for p in peppers for g in p.grades):
        return f"{start} None meets {rules.grades[-1].name}. {_held(peppers[0], rules.grades[-1].name)}"
    return f"{start} {by_size(peppers)} The grade is still open: {blockers(_softest(peppers[0]))}."


def _on_the_side_seen(pepper: PepperGrade) -> bool:
    return any(o.basis == "seen" and o.kind.startswith("colour") for o in pepper.outcomes)


def _softest(pepper: PepperGrade) -> GradeOutcome:
    """The highest grade that nothing has ruled out yet."""
    return next((grade for grade in pepper.grades if not grade.missed), pepper.grades[-1])


def _who(reach: Sequence[PepperGrade], total: int) -> str:
    if len(reach) == total:
        return "It meets" if total == 1 else f"All {count_words(total)} meet"
    return f"{count_words(len(reach)).capitalize()} meet{'s' if len(reach) == 1 else ''}"


def _held(pepper: PepperGrade, name: str) -> str:
    grade = next(g for g in pepper.grades if g.name == name)
    return f"Number {pepper.number}: {blockers(grade)}."


def _lot_note(rules: RuleSet, total: int) -> str:
    if rules.judges != "lot" or not total:
        return ""
    share = f"One pepper of {count_words(total)} is {100 / total:.0f} percent"
    return f"A grade belongs to a lot. {share}, so a plate can't use a lot tolerance: every pepper counts."


def marked(pepper: Mapping[str, Any]) -> tuple[Blemish, ...]:
    """Return the marked areas that a measurement document holds for one pepper."""
    return tuple(Blemish.from_document(written) for written in pepper.get("blemishes", ()))


def cases_of(
    document: Mapping[str, Any],
    hand: HandFacts,
    setting: Setting,
    blemishes: Mapping[int, Sequence[Blemish]] | None = None,
) -> tuple[Case, ...]:
    """Return one case per pepper of a measurement document.

    Marked areas are those of the document (``blemishes`` of a pepper) unless others are given.
    """
    return tuple(
        Case(
            pepper=pepper,
            hand=hand,
            declared_colour=setting.declared_colour,
            pepper_type=setting.pepper_type,
            blemishes=marked(pepper) if blemishes is None else blemishes.get(pepper["number"], ()),
            level=setting.level,
            until=setting.until,
            moved=setting.moved,
        )
        for pepper in document["peppers"]
    )


def grade_plate(
    document: Mapping[str, Any],
    hand: HandFacts,
    rules: RuleSet,
    setting: Setting | None = None,
    *,
    house: RuleSet | None = None,
    blemishes: Mapping[int, Sequence[Blemish]] | None = None,
) -> PlateGrade:
    """Hold a measured plate against a set of rules.

    Parameters
    ----------
    document : mapping
        Of schema ``inspection-1``.
    hand : HandFacts
    rules : RuleSet
    setting : Setting, optional
    house : RuleSet, optional
        The house rules; the shipped ones when left out.
    blemishes : mapping of int to sequence of Blemish, optional
        Marked areas by pepper number.
    """
    setting = setting or Setting()
    house = house or load_rule_set("house-rules")
    cases = cases_of(document, hand, setting, blemishes)
    peppers = tuple(grade_pepper(case, rules) for case in cases)
    pairs = [two_colour_rules(case, rules, house) for case in cases]
    any_amount = tuple(pair[0] for pair in pairs if pair[0] is not None)
    return PlateGrade(
        rules=rules.stamp(),
        peppers=peppers,
        count=_count(len(peppers), setting.wanted),
        count_right=len(peppers) == setting.wanted,
        any_amount=any_amount,
        house=tuple(pair[1] for pair in pairs if pair[1] is not None),
        colour=_share(any_amount, rules, setting.declared_colour),
        uniformity=uniformity(cases),
        answer=_answer(peppers, rules),
        lot_note=_lot_note(rules, len(peppers)),
    )
