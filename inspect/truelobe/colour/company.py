"""What the other peppers of a plate say of one whose color is not sure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from truelobe.colour.coverage import Coverage

VOTE_OF_NONE: Final = 0.25
"""What a color starts with: one sure pepper makes it five times as likely as a color of which there is none."""

SETTLED: Final = 0.8
"""Probability that settles a name."""


def settled(coverage: Coverage, sure: Mapping[str, int]) -> str | None:
    """Return the color an unsure pepper most probably has among these, or None where it stays unsure.

    Peppers shown together are mostly of one color (common practice, no published source), yet an odd one may lie
    among them: a strong look of the pepper's own stands.

    Parameters
    ----------
    coverage : Coverage
    sure : mapping of str to int
        How many peppers of each color the plate surely holds.
    """
    if coverage.other is None:
        return None
    likely = coverage.probability * (sure.get(coverage.colour, 0) + VOTE_OF_NONE)
    against = (1 - coverage.probability) * (sure.get(coverage.other, 0) + VOTE_OF_NONE)
    if max(likely, against) < SETTLED * (likely + against):
        return None
    return coverage.colour if likely > against else coverage.other
