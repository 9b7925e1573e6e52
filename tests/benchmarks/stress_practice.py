"""Invented students against what the tool says of them: are estimates unbiased, close, and honest about it?

``run(count, seed)`` simulates students of known bias, spread, small-patch excess, threshold and lapse rate, 70
answers each, and students who did and did not improve. Limits: mean error at most 0.3 points, root mean square
error at most 1.2 times the Cramer-Rao bound of the pictures shown, 95 % intervals that hold in 92 to 98 %, false
alarms at most 5 % and a fall from 7.6 to 5.2 points found in at least 80 %.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from tests.practice.simulated_students import percent_student, table, threshold_student

from truelobe.practice.progress import PROBES, judge_change


@dataclass(frozen=True)
class Report:
    """What came out: by quantity (mean error, RMSE over bound, share of intervals that hold), and the claims."""

    students: int
    rows: dict[str, tuple[float, float, float]]
    false_alarms: float
    found: float

    @property
    def ok(self) -> bool:
        """Whether every limit is kept.

        A lapse rate near its bound of zero has no Cramer-Rao bound to be held against: that column stays empty.
        """
        return (
            all(abs(e) <= 0.3 and not r > 1.2 and 0.92 <= h <= 0.98 for e, r, h in self.rows.values())
            and self.false_alarms <= 0.05
            and self.found >= 0.8
        )

    def table(self) -> str:
        """Return the report as text."""
        lines = [
            f"{self.students} students, 70 answers each",
            "quantity        mean error  RMSE/bound  interval holds",
        ]
        lines += [f"{name:15s} {e:10.2f} {r:11.2f} {h:14.1%}" for name, (e, r, h) in self.rows.items()]
        lines.append(f"false alarms {self.false_alarms:.1%}; 7.6 to 5.2 points found {self.found:.1%}")
        return "\n".join([*lines, "all limits kept" if self.ok else "A LIMIT IS NOT KEPT"])


def run(count: int = 1000, seed: int = 0) -> Report:
    """Simulate `count` students."""
    rng = np.random.default_rng(seed)
    rows = table([percent_student(rng) for _ in range(count)])
    rows |= table([threshold_student(rng) for _ in range(count)])
    return Report(count, rows, _claims(rng, 7.6, 7.6, count), _claims(rng, 7.6, 5.2, count))


def _claims(rng: np.random.Generator, before: float, after: float, count: int) -> float:
    spread = np.sqrt(np.pi / 2)  # of a normal eye whose mean error is 1
    said = [
        judge_change(
            np.abs(rng.normal(0, before * spread, PROBES)), np.abs(rng.normal(0, after * spread, PROBES))
        ).better
        for _ in range(count)
    ]
    return float(np.mean(said))


if __name__ == "__main__":
    print(run(*(int(word) for word in sys.argv[1:3])).table())
