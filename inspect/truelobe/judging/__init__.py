"""Classes of four plates: placing, cuts, score, the facts behind each pair, and the practice evening."""

from truelobe.judging.scoring import (
    Cuts,
    PairScore,
    Placing,
    Score,
    all_placings,
    chance_mean,
    check_cuts,
    cuts_of_officials,
    hint,
    read_placing,
    score,
)

__all__ = [
    "Cuts",
    "PairScore",
    "Placing",
    "Score",
    "all_placings",
    "chance_mean",
    "check_cuts",
    "cuts_of_officials",
    "hint",
    "read_placing",
    "score",
]
