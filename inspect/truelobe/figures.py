"""A measured value with its uncertainty, in the terms of the GUM (JCGM 100:2008) and its Monte Carlo supplement.

A figure is made from draws (JCGM 101:2008): one vector of equally likely values. The value, its standard
uncertainty, its interval and the probability of meeting a limit all come from the same draws, so they cannot
contradict each other. Seven quantiles are kept; they are enough to judge the figure again under another rule.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

SharedBy = Literal["pepper", "photo", "print", "camera"]

LEVELS: tuple[float, ...] = (0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975)


@dataclass(frozen=True)
class Contribution:
    """One line of an uncertainty budget.

    Attributes
    ----------
    source : str
        What is uncertain: ``"focal length"``.
    effect : float
        Signed change of the figure per one standard uncertainty of the source, in the figure's unit.
    shared_by : {"pepper", "photo", "print", "camera"}
        Which other figures move together with this one when the source is wrong.
    """

    source: str
    effect: float
    shared_by: SharedBy


@dataclass(frozen=True)
class Figure:
    """A measured value, its distribution and its budget. Lengths in mm, shares as fractions.

    Attributes
    ----------
    value : float
        The estimate.
    standard_uncertainty : float
        Standard deviation of what could reasonably be true (JCGM 100, 2.3.1).
    quantiles : tuple of float
        The values at `LEVELS`, never falling.
    budget : tuple of Contribution
        Where the uncertainty comes from.
    by_hand : bool
        True when a person measured it with a tool.
    """

    value: float
    standard_uncertainty: float
    quantiles: tuple[float, ...]
    budget: tuple[Contribution, ...] = ()
    by_hand: bool = False

    def __post_init__(self) -> None:
        numbers = (self.value, self.standard_uncertainty, *self.quantiles)
        if not all(math.isfinite(x) for x in numbers):
            raise ValueError("a figure is finite")
        if self.standard_uncertainty < 0 or len(self.quantiles) != len(LEVELS):
            raise ValueError("a figure has a standard uncertainty of at least zero and seven quantiles")
        if any(b < a for a, b in zip(self.quantiles, self.quantiles[1:], strict=False)):
            raise ValueError("quantiles never fall")

    @property
    def interval95(self) -> tuple[float, float]:
        """The 95 % interval: from the 0.025 to the 0.975 quantile."""
        return self.quantiles[0], self.quantiles[-1]

    @property
    def half_width(self) -> float:
        """Half the length of the 95 % interval: what the page calls "give or take"."""
        low, high = self.interval95
        return (high - low) / 2

    def probability_below(self, limit: float) -> float:
        """Return the probability that the true value is below `limit`.

        The distribution function is read from the seven quantiles: straight lines on normal probability paper,
        carried on in the tails with the outermost slope.
        """
        levels, values = ndtri(np.asarray(LEVELS)), np.asarray(self.quantiles)
        step = 1e-9 * max(abs(values[0]), abs(values[-1]), 1e-3)
        if values[-1] - values[0] <= step:
            return 0.5 if limit == values[0] else float(limit > values[0])
        keep = np.concatenate([[True], np.diff(values) > step])
        levels, values = levels[keep], values[keep]
        if limit <= values[0] or limit >= values[-1]:
            first, second = (0, 1) if limit <= values[0] else (-2, -1)
            slope = (levels[second] - levels[first]) / (values[second] - values[first])
            anchor = first if first == 0 else second
            return float(ndtr(levels[anchor] + slope * (limit - values[anchor])))
        return float(ndtr(np.interp(limit, values, levels)))

    def document(self) -> dict[str, Any]:
        """Return the figure as it stands in a measurement document."""
        written: dict[str, Any] = {
            "value": self.value,
            "standard_uncertainty": self.standard_uncertainty,
            "interval95": list(self.interval95),
            "quantiles": {f"{q:g}": v for q, v in zip(LEVELS, self.quantiles, strict=True)},
            "budget": [{"source": c.source, "effect": c.effect, "shared_by": c.shared_by} for c in self.budget],
        }
        return written | ({"by_hand": True} if self.by_hand else {})

    @classmethod
    def from_document(cls, written: Mapping[str, Any]) -> Figure:
        """Read a figure back from a measurement document."""
        return cls(
            value=float(written["value"]),
            standard_uncertainty=float(written["standard_uncertainty"]),
            quantiles=tuple(float(written["quantiles"][f"{q:g}"]) for q in LEVELS),
            budget=tuple(Contribution(**line) for line in written["budget"]),
            by_hand=bool(written.get("by_hand", False)),
        )

    def clipped(self, low: float, high: float) -> Figure:
        """Return the figure with its values held between two bounds that cannot be crossed (a share: 0 and 1)."""
        return replace(
            self,
            value=min(max(self.value, low), high),
            quantiles=tuple(min(max(q, low), high) for q in self.quantiles),
        )


def from_draws(draws: ArrayLike, budget: Sequence[Contribution] = (), value: float | None = None) -> Figure:
    """Make a figure from equally likely values.

    Parameters
    ----------
    draws : array_like, shape (n,), float
        At least eight values, in mm or as fractions.
    budget : sequence of Contribution
        Where the spread comes from.
    value : float, optional
        The estimate; the median of the draws by default, so that the value and the quantiles agree.
    """
    sample: NDArray[np.float64] = np.asarray(draws, dtype=np.float64)
    if sample.ndim != 1 or sample.size < 8:
        raise ValueError("a figure needs one vector of at least eight draws")
    quantiles = np.quantile(sample, LEVELS)
    return Figure(
        value=float(quantiles[3] if value is None else value),
        standard_uncertainty=float(sample.std(ddof=1)),
        quantiles=tuple(float(q) for q in quantiles),
        budget=tuple(budget),
    )


def mixture(first: Figure, second: Figure, weight: float, source: str) -> Figure:
    """Return the figure of something that is either of two, with the value of the likelier one.

    Parameters
    ----------
    first, second : Figure
    weight : float
        Probability of the first, at least one half.
    source : str
        What is not sure: named in the budget, with the spread that it adds.
    """
    levels = (np.arange(400) + 0.5) / 400
    share = round(400 * weight)
    draws = np.concatenate([_spread(first, share), _spread(second, len(levels) - share)])
    added = np.sqrt(max(draws.var() - first.standard_uncertainty**2, 0.0))
    line = Contribution(source, float(np.copysign(added, second.value - first.value)), "pepper")
    return from_draws(draws, [*first.budget, line], first.value)


def _spread(figure: Figure, count: int) -> NDArray[np.float64]:
    """Equally likely values of a figure, read back from its quantiles on normal probability paper."""
    at = ndtri((np.arange(count) + 0.5) / count) if count else np.zeros(0)
    marks = ndtri(np.asarray(LEVELS))
    inside: NDArray[np.float64] = np.interp(at, marks, figure.quantiles)
    return inside


def from_normal(
    value: float, standard_uncertainty: float, budget: Sequence[Contribution] = (), *, by_hand: bool = False
) -> Figure:
    """Make a figure from a normal law, as for a caliper reading."""
    quantiles = value + standard_uncertainty * ndtri(np.asarray(LEVELS))
    return Figure(value, standard_uncertainty, tuple(float(q) for q in quantiles), tuple(budget), by_hand)
