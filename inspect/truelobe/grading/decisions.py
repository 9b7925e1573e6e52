"""A limit is met, missed, or too close to call (JCGM 106:2012; ISO 14253-1:2017).

The probability of conformity comes from the figure's own distribution. A limit counts as met only when that
probability reaches the level (95 % unless the coach sets another), as missed only when it falls to the other
side; between them neither is proved and the tool says so. Nothing is ever rounded over a limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from truelobe.figures import Figure

Outcome = Literal["met", "missed", "too close", "not seen", "not checked", "limit not entered", "not applicable"]
Quantity = Literal["diameter", "length", "not_fully_coloured"]
Basis = Literal["seen", "whole"]


@dataclass(frozen=True)
class Limit:
    """One numeric limit of a rule.

    Attributes
    ----------
    rule : str
        Whose limit this is, as shown to the coach.
    quantity : {"diameter", "length", "not_fully_coloured"}
    value : float or None
        mm or fraction; None where nobody has entered it.
    unit : {"mm", "fraction"}
    sense : {"at least", "under"}
        ``"at least"``: exactly at the limit is met. ``"under"``: exactly at the limit is missed.
    """

    rule: str
    quantity: Quantity
    value: float | None
    unit: Literal["mm", "fraction"]
    sense: Literal["at least", "under"]


@dataclass(frozen=True)
class Decision:
    """What one figure says about one limit."""

    limit: Limit
    basis: Basis
    outcome: Outcome
    probability_met: float | None

    def document(self) -> dict[str, Any]:
        """Return the decision as it stands in a measurement document."""
        return {
            "rule": self.limit.rule,
            "quantity": self.limit.quantity,
            "limit": self.limit.value,
            "unit": self.limit.unit,
            "basis": self.basis,
            "outcome": self.outcome,
            "probability_met": self.probability_met,
        }


def decide(figure: Figure | None, limit: Limit, *, level: float = 0.95, basis: Basis = "seen") -> Decision:
    """Hold a figure against a limit.

    Parameters
    ----------
    figure : Figure or None
        None when the photo does not show the quantity.
    limit : Limit
    level : float
        Probability from which a limit counts as met; 1 - level is where it counts as missed.
    basis : {"seen", "whole"}
        Whether the figure speaks for the skin seen or for the whole pepper.
    """
    if limit.value is None:
        return Decision(limit, basis, "limit not entered", None)
    if figure is None:
        return Decision(limit, basis, "not seen", None)
    below = figure.probability_below(limit.value)
    if figure.quantiles[0] == figure.quantiles[-1] == limit.value:
        below = 0.0  # Known without doubt and exactly at the limit: not below it, in either sense.
    met = below if limit.sense == "under" else 1 - below
    outcome: Outcome = "met" if met >= level else "missed" if met <= 1 - level else "too close"
    return Decision(limit, basis, outcome, met)
