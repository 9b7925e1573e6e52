"""Standards as data, decisions under uncertainty, the grade of pepper and plate."""

from truelobe.grading.case import Case, RuleOutcome
from truelobe.grading.decisions import Decision, Limit, Outcome, decide
from truelobe.grading.hand_facts import Entry, HandFacts
from truelobe.grading.pepper import PepperGrade, grade_pepper
from truelobe.grading.rule_set import RuleSet, load_rule_set, read_rule_set, shipped_rule_sets

__all__ = [
    "Case",
    "Decision",
    "Entry",
    "HandFacts",
    "Limit",
    "Outcome",
    "PepperGrade",
    "RuleOutcome",
    "RuleSet",
    "decide",
    "grade_pepper",
    "load_rule_set",
    "read_rule_set",
    "shipped_rule_sets",
]
