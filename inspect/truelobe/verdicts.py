"""What one photo's figures decide, and what would settle the ones too close to call."""

from __future__ import annotations

from dataclasses import replace

from truelobe.figures import Figure
from truelobe.grading import Decision, Limit, decide


def verdicts_on_skin(figure: Figure | None, skin_seen: float, limit: Limit, level: float) -> list[Decision]:
    """Decide a limit on color for the skin seen, and say what that proves of the whole pepper.

    What is not fully colored on the side seen is at least that much of the whole skin, so one photo can prove a
    limit missed for the whole pepper; it can never prove it met.
    """
    seen = decide(figure, limit, level=level, basis="seen")
    if figure is None or limit.value is None:
        return [seen]
    bound = replace(
        figure,
        value=figure.value * skin_seen,
        standard_uncertainty=figure.standard_uncertainty * skin_seen,
        quantiles=tuple(q * skin_seen for q in figure.quantiles),
    )
    whole = decide(bound, limit, level=level, basis="whole")
    if whole.outcome != "missed":
        whole = Decision(limit, "whole", "not seen", None)
    return [seen, whole]


def settle(decision: Decision) -> str | None:
    """Return what would settle a decision that is too close to call or not seen, or None where it is settled."""
    quantity, outcome = decision.limit.quantity, decision.outcome
    if outcome == "too close" and quantity == "diameter":
        return "Roll it a third of a turn and take one more photo, or measure it with a caliper or ring."
    if outcome == "too close" and quantity == "length":
        return "Measure its length with a ruler, stem left out."
    if outcome == "too close":
        return "Look at it in better light, or turn it and take one more photo."
    if outcome == "not seen" and quantity == "length":
        return "Lay it on its side and take one more photo."
    if outcome == "not seen" and decision.basis == "whole":
        return "Turn it and take photos of the other sides."
    return None
