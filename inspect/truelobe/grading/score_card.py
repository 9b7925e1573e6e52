"""The view of a fair's score card: its criteria, its weights, and the facts that speak to each.

The points are the coach's; the tool lays the facts beside them. Fair cards use *condition* for freedom from
damage, disease and dirt and *quality* for the best eating stage, nearly the reverse of inspection. So there are
two glossaries, and they are never mixed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from truelobe.data import data_path
from truelobe.grading.case import Case
from truelobe.grading.uniformity import Uniformity
from truelobe.grading.vocabulary import FACTS
from truelobe.messages import TruelobeError
from truelobe.units import inch_fraction

INSPECTION_WORDS: Mapping[str, str] = {
    "quality": "What does not change after packing: shape, size, scars, healed marks.",
    "condition": "What gets worse with time: softness, shrivel, bruising, decay.",
}
FAIR_WORDS: Mapping[str, str] = {
    "condition": "Free of disease, insects, mechanical damage and dirt.",
    "quality": "At the best eating stage: crisp, firm, mature.",
    "uniformity": "Alike in size, shape and color.",
    "true to type": "As the variety should look.",
    "size": "What the market wants; very large is usually a fault.",
}
_SPOKEN_TO: Mapping[str, tuple[str, ...]] = {
    "condition": (
        "cleanness", "disease", "insects", "mechanical", "decay_wall", "decay_calyx", "decay_stem", "scars",
        "hail", "sunburn", "sunscald", "freezing", "bruised", "broken", "crushed", "pitted", "discoloration",
        "other",
    ),
    "quality": ("firmness", "freshness", "maturity", "shriveled", "wilted"),
    "true to type": ("type", "shape"),
}  # fmt: skip


@dataclass(frozen=True)
class ScoreCard:
    """A fair's score card. Weights add up to 100."""

    id: str
    name: str
    source: str
    weights: Mapping[str, int]

    def __post_init__(self) -> None:
        if sum(self.weights.values()) != 100 or any(w < 0 for w in self.weights.values()):
            raise TruelobeError(
                "weights-not-100",
                f"The weights add up to {sum(self.weights.values())}, and a card has 100 points.",
                "Change a weight until they add up to 100.",
            )

    def reweighted(self, weights: Mapping[str, int]) -> ScoreCard:
        """Return the card with the coach's own weights."""
        return ScoreCard(f"own-{self.id}", f"{self.name}, changed", f"changed from: {self.source}", dict(weights))


@dataclass(frozen=True)
class Line:
    """One criterion: its weight, and what is known about it."""

    criterion: str
    weight: int
    meaning: str
    evidence: tuple[str, ...]


@cache
def published_cards() -> tuple[ScoreCard, ...]:
    """Return the published cards that come with the tool as examples."""
    written = json.loads(data_path("calibration", "standards", "score-cards.json").read_text(encoding="utf-8"))
    return tuple(ScoreCard(c["id"], c["name"], c["source"], c["weights"]) for c in written["cards"])


def _hand_lines(cases: Sequence[Case], facts: Sequence[str]) -> tuple[str, ...]:
    found, unchecked = [], []
    for name in facts:
        words = {case.number: case.word(name)[0] for case in cases}
        odd = {n: w for n, w in words.items() if w not in (FACTS[name].sound, "not checked")}
        if odd:
            found.append(f"{FACTS[name].label}: " + ", ".join(f"number {n} {w}" for n, w in odd.items()))
        if "not checked" in words.values():
            unchecked.append(FACTS[name].label.lower())
    if unchecked:
        found.append(f"Not checked: {', '.join(unchecked)}")
    return tuple(found) or ("All looked at, nothing found",)


def score_view(card: ScoreCard, cases: Sequence[Case], alike: Uniformity) -> tuple[Line, ...]:
    """Return the card with the facts of a plate beside each criterion."""
    lines = []
    for criterion, weight in card.weights.items():
        evidence: tuple[str, ...]
        if criterion == "uniformity":
            evidence = alike.lines
        elif criterion == "size":
            sizes = [(case.number, case.size("diameter")[0]) for case in cases]
            evidence = tuple(
                f"Number {n}: {f.value:.0f} mm ({inch_fraction(f.value)}) across" for n, f in sizes if f
            )
        else:
            evidence = _hand_lines(cases, _SPOKEN_TO.get(criterion, ()))
        lines.append(Line(criterion, weight, FAIR_WORDS.get(criterion, ""), evidence or ("Not seen",)))
    return tuple(lines)


def total(card: ScoreCard, points: Mapping[str, float]) -> float:
    """Add up the coach's points.

    Raises
    ------
    TruelobeError
        ``points-over-weight`` when a criterion has more points than its weight, or fewer than none.
    """
    for criterion, given in points.items():
        if not 0 <= given <= card.weights.get(criterion, 0):
            raise TruelobeError(
                "points-over-weight",
                f"{criterion.capitalize()} carries {card.weights.get(criterion, 0)} points.",
                "Give from none to all of them.",
            )
    return float(sum(points.values()))


def glossaries() -> dict[str, Any]:
    """Return both meanings of quality and condition, each under its own name."""
    return {"inspection": dict(INSPECTION_WORDS), "fair score cards": dict(FAIR_WORDS)}
