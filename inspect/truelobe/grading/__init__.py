"""Standards as data, decisions under uncertainty, the grade of pepper and plate."""

from truelobe.grading.decisions import Decision, Limit, Outcome, decide

__all__ = ["Decision", "Limit", "Outcome", "decide"]
