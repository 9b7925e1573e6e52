"""The grade of one pepper: the highest whose measured and recorded requirements are met, and what stands above.

A grade belongs to a lot. So the words are "meets the measured and recorded requirements of U.S. Fancy", never
"is U.S. Fancy".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from truelobe.grading.case import Case, RuleOutcome
from truelobe.grading.outcomes import evaluate
from truelobe.grading.rule_set import RuleSet

_ORDER = ("missed", "too close", "not seen", "limit not entered", "not checked")


@dataclass(frozen=True)
class GradeOutcome:
    """One grade held against one pepper."""

    id: str
    name: str
    outcomes: tuple[RuleOutcome, ...]

    @property
    def reached(self) -> bool:
        """Whether every requirement is met or does not apply."""
        return all(outcome.passes for outcome in self.outcomes)

    @property
    def missed(self) -> bool:
        """Whether a requirement is missed, so that nothing still open can save it."""
        return any(outcome.outcome == "missed" for outcome in self.outcomes)

    @property
    def in_the_way(self) -> tuple[RuleOutcome, ...]:
        """What is not met, the most certain first."""
        open_ones = (outcome for outcome in self.outcomes if not outcome.passes)
        return tuple(sorted(open_ones, key=lambda outcome: _ORDER.index(outcome.outcome)))


@dataclass(frozen=True)
class PepperGrade:
    """What one set of rules says about one pepper.

    Attributes
    ----------
    number : int
    rules : dict
        Stamp of the set it was judged under.
    grades : tuple of GradeOutcome
        Highest first.
    highest : str or None
        Name of the highest grade whose measured and recorded requirements are met.
    highest_id : str or None
    answer : str
        In one sentence.
    stands_between : str
        What stands between it and the next grade up, in one sentence; empty at the top.
    """

    number: int
    rules: dict[str, Any]
    grades: tuple[GradeOutcome, ...]
    highest: str | None
    highest_id: str | None
    answer: str
    stands_between: str

    @property
    def outcomes(self) -> tuple[RuleOutcome, ...]:
        """Every outcome, grade by grade."""
        return tuple(outcome for grade in self.grades for outcome in grade.outcomes)

    def document(self) -> dict[str, Any]:
        """Return the grade as a record keeps it."""
        return {
            "number": self.number,
            "rules": self.rules,
            "highest": self.highest,
            "highest_id": self.highest_id,
            "answer": self.answer,
            "stands_between": self.stands_between,
            "grades": [
                {"id": g.id, "name": g.name, "reached": g.reached, "outcomes": [o.document() for o in g.outcomes]}
                for g in self.grades
            ],
        }


def _carried_down(outcome: RuleOutcome, above: Sequence[GradeOutcome]) -> RuleOutcome:
    """A lower grade never asks for a larger pepper than a higher one.

    So a size limit that nobody has entered is met by a pepper that meets the same limit of a higher grade.
    """
    if outcome.outcome != "limit not entered" or outcome.kind != "size":
        return outcome
    for grade in above:
        for higher in grade.outcomes:
            if (higher.kind, higher.fact, higher.outcome) == ("size", outcome.fact, "met"):
                note = (
                    f"Not entered for {outcome.grade}; it meets that of {grade.name}. A lower grade asks no more."
                )
                return replace(
                    outcome, outcome="met", probability=higher.probability, by="higher grade", says="", note=note
                )
    return outcome


def blockers(grade: GradeOutcome) -> str:
    """Say what is in the way of a grade, in one sentence without its full stop."""
    said = [outcome.says for outcome in grade.in_the_way]
    unique = list(dict.fromkeys(said))
    unchecked = [s.removesuffix(" not checked") for s in unique if s.endswith(" not checked")]
    others = [s for s in unique if not s.endswith(" not checked")]
    parts = others[:2] + ([f"{len(others) - 2} more not met"] if len(others) > 2 else [])
    if unchecked:
        few = ", ".join(unchecked[:3]) + (f" and {len(unchecked) - 3} more" if len(unchecked) > 3 else "")
        parts.append(f"{few} not checked")
    return "; ".join(parts)


def grade_pepper(case: Case, rules: RuleSet) -> PepperGrade:
    """Hold one pepper against a set of rules.

    Parameters
    ----------
    case : Case
        The pepper's measurement document, hand facts, marked areas and settings.
    rules : RuleSet

    Returns
    -------
    PepperGrade
    """
    grades: list[GradeOutcome] = []
    for grade in rules.grades:
        outcomes = (evaluate(case, needed, grade.name, rules) for needed in grade.requirements)
        grades.append(GradeOutcome(grade.id, grade.name, tuple(_carried_down(o, grades) for o in outcomes)))
    reached = next((n for n, grade in enumerate(grades) if grade.reached), None)
    highest = None if reached is None else grades[reached]
    above = _next_up(grades, reached)
    between = "" if above is None else f"Between it and {above.name}: {blockers(above)}."
    return PepperGrade(
        number=case.number,
        rules=rules.stamp(),
        grades=tuple(grades),
        highest=highest.name if highest else None,
        highest_id=highest.id if highest else None,
        answer=_answer(highest, grades),
        stands_between=between,
    )


def _next_up(grades: Sequence[GradeOutcome], reached: int | None) -> GradeOutcome | None:
    """Return the grade to speak of: the next one up, or, where none is reached, the highest still possible."""
    if reached is None:
        return next((grade for grade in grades if not grade.missed), grades[-1])
    return grades[reached - 1] if reached else None


def _answer(highest: GradeOutcome | None, grades: Sequence[GradeOutcome]) -> str:
    if highest is None:
        if all(grade.missed for grade in grades):
            names = grades[0].name if len(grades) == 1 else "any grade of this set"
            return f"Misses a requirement of {names}."
        return "No grade is settled yet."
    side = any(o.basis == "seen" and o.kind.startswith("colour") for o in highest.outcomes)
    measured_only = all(o.by in ("photo", "rule") for o in highest.outcomes)
    kind = "measured requirements" if measured_only else "measured and recorded requirements"
    return f"Meets the {kind} of {highest.name}{' on the side seen' if side else ''}."


def two_colour_rules(
    case: Case, standard: RuleSet, house: RuleSet
) -> tuple[RuleOutcome | None, RuleOutcome | None]:
    """Return both colour rules on one pepper: the standard's any-amount rule, and the house area rule.

    They answer different questions and are never merged: one asks whether the declared color shows at all, the
    other how much of the skin is not fully colored.
    """

    def first(rules: RuleSet, kind: str) -> RuleOutcome | None:
        for grade in rules.grades:
            for needed in grade.requirements:
                if needed.kind == kind:
                    return evaluate(case, needed, grade.name, rules)
        return None

    return first(standard, "colour_any"), first(house, "colour_area")


def over_days(case: Case, rules: RuleSet) -> tuple[tuple[date, PepperGrade], ...]:
    """Return the grade as it stood at the end of the first and of the latest day with hand facts."""
    days = case.hand.days()
    wanted = dict.fromkeys((days[0], days[-1])) if days else {}
    return tuple((day, grade_pepper(replace(case, until=day), rules)) for day in wanted)
