"""The difference of two weighted sums of measured figures, with the errors that both share taken out.

Two plates photographed with one print of the card share its scale error; two photos by one camera share its focal
length. Such an error moves both sums alike, so it must not be counted against their difference. Each line of a
figure's budget says who shares it; lines with the same source and the same sharer are added with their signs
before they are squared (JCGM 100:2008, 5.2, correlated input quantities).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

from truelobe.figures import Contribution, Figure, from_normal


@dataclass(frozen=True)
class Term:
    """One figure in a sum.

    Attributes
    ----------
    weight : float
    figure : Figure
    pepper, photo, print_, camera : hashable
        Who it shares its errors with: two terms with the same `print_` share what is the print's. Give each term a
        key of its own where that is not known.
    """

    weight: float
    figure: Figure
    pepper: Hashable
    photo: Hashable
    print_: Hashable
    camera: Hashable

    def effects(self) -> Iterable[tuple[Hashable, float]]:
        """Yield each independent source with what it does to the sum."""
        keys = {"pepper": self.pepper, "photo": self.photo, "print": self.print_, "camera": self.camera}
        for line in self.figure.budget:
            yield (line.shared_by, keys[line.shared_by], line.source), self.weight * line.effect
        told = sum(line.effect**2 for line in self.figure.budget)
        rest = max(0.0, self.figure.standard_uncertainty**2 - told)
        yield ("rest", self.pepper), self.weight * math.sqrt(rest)


def contrast(terms: Iterable[Term]) -> Figure:
    """Return the weighted sum of figures.

    Parameters
    ----------
    terms : iterable of Term
        The second plate's with negative weights.

    Returns
    -------
    Figure
        In the unit of the terms, with a normal law: sums of many small errors.
    """
    value = 0.0
    effects: defaultdict[Hashable, float] = defaultdict(float)
    for term in terms:
        value += term.weight * term.figure.value
        for source, effect in term.effects():
            effects[source] += effect
    u = math.sqrt(sum(effect**2 for effect in effects.values()))
    return from_normal(value, u, (Contribution("both plates", u, "pepper"),))


def is_real(difference: Figure) -> bool:
    """Tell whether a difference's 95 % interval leaves zero out."""
    low, high = difference.interval95
    return low > 0 or high < 0
