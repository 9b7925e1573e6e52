"""A placing of four scored against the official one by its six pairs, out of 50.

Cuts a, b, c stand between first and second, second and third, third and fourth. A pair placed the wrong way round
costs the sum of the cuts between its two places: a, b, c, a + b, b + c or a + b + c. A scrambled placing is scored
by its pairs too, never set to zero.

References
----------
.. [1] University of Nebraska-Lincoln Extension, NebGuide G2092 (text by Reiling): a cut is at most 8, their sum
   at most 15.
.. [2] Colorado State University Extension, 1.619: the same, and a middle cut of at most 5 when the sum is 15, at
   most 8 when it is 14; otherwise a reversed placing scores below zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, permutations

from truelobe.messages import Message, TruelobeError

FULL_SCORE = 50
LARGEST_CUT = 8
LARGEST_SUM = 15
Placing = tuple[int, int, int, int]
PLACINGS: tuple[Placing, ...] = tuple((a, b, c, d) for a, b, c, d in permutations((1, 2, 3, 4)))

HINT_SOURCE = (
    "Colorado State University Extension 1.619: hard 1 to 3, middling 4 to 5, easy 6 to 8. "
    "University of Nebraska-Lincoln Extension G2092: hard 1 to 2, sortable 3 to 4, fairly easy 5 to 6, "
    "easy 7 to 8."
)


@dataclass(frozen=True)
class Cuts:
    """Points between first and second, second and third, third and fourth.

    Examples
    --------
    >>> Cuts(2, 5, 3).worst_loss
    35
    """

    top: int
    middle: int
    bottom: int

    @property
    def total(self) -> int:
        """Their sum."""
        return self.top + self.middle + self.bottom

    @property
    def worst_loss(self) -> int:
        """What the fully reversed placing loses: 3a + 4b + 3c."""
        return 3 * self.total + self.middle

    def between(self, better: int, worse: int) -> int:
        """Return what separates two places, 0 for first to 3 for fourth.

        >>> Cuts(2, 5, 3).between(0, 2)
        7
        """
        return sum((self.top, self.middle, self.bottom)[better:worse])

    def __str__(self) -> str:
        return f"{self.top}-{self.middle}-{self.bottom}"


@dataclass(frozen=True)
class PairScore:
    """One of the six pairs.

    Attributes
    ----------
    better, worse : int
        Plate numbers in official order.
    places : (int, int)
        Their official places, 1 to 4.
    cost : int
        What the pair costs when it is placed the wrong way round.
    kept : bool
        Whether it was placed the right way round.
    """

    better: int
    worse: int
    places: tuple[int, int]
    cost: int
    kept: bool

    @property
    def lost(self) -> int:
        """Points this pair took."""
        return 0 if self.kept else self.cost


@dataclass(frozen=True)
class Score:
    """A placing's score and the six pairs it comes from."""

    placing: Placing
    points: int
    pairs: tuple[PairScore, ...]


def read_placing(typed: str) -> Placing:
    """Read a placing as it is typed or tapped: four plate numbers, best first.

    >>> read_placing("2-4-1-3")
    (2, 4, 1, 3)

    Raises
    ------
    TruelobeError
        ``placing-invalid`` when it is not each of 1 to 4 once.
    """
    digits = [c for c in typed if c not in " -,./"]
    if sorted(digits) != list("1234"):
        raise TruelobeError("placing-invalid", _whats_wrong(digits), "Type each plate once, best first: 2413.")
    first, second, third, fourth = (int(c) for c in digits)
    return first, second, third, fourth


def _whats_wrong(digits: list[str]) -> str:
    strange = [c for c in digits if c not in "1234"]
    twice = sorted({c for c in digits if digits.count(c) > 1} - set(strange))
    if strange:
        return f"“{strange[0]}” is not a plate of this class."
    if twice:
        return f"Plate {twice[0]} stands there twice."
    missing = [c for c in "1234" if c not in digits]
    return f"Plate {missing[0]} is missing." if len(missing) == 1 else "A placing names four plates."


def score(official: Placing, cuts: Cuts, placing: Placing) -> Score:
    """Score a placing.

    >>> score((1, 2, 3, 4), Cuts(2, 5, 3), (2, 1, 4, 3)).points
    45
    """
    at = {plate: place for place, plate in enumerate(placing)}
    pairs = tuple(
        PairScore(
            better=official[i],
            worse=official[j],
            places=(i + 1, j + 1),
            cost=cuts.between(i, j),
            kept=at[official[i]] < at[official[j]],
        )
        for i, j in combinations(range(4), 2)
    )
    return Score(placing, FULL_SCORE - sum(pair.lost for pair in pairs), pairs)


def all_placings(official: Placing, cuts: Cuts) -> tuple[Score, ...]:
    """Return the scores of all 24 placings, best first."""
    return tuple(sorted((score(official, cuts, p) for p in PLACINGS), key=lambda s: (-s.points, s.placing)))


def chance_mean(cuts: Cuts) -> float:
    """Return what random placings average: each pair is right half the time, so 50 less half the worst loss.

    >>> chance_mean(Cuts(2, 5, 3))
    32.5
    """
    return FULL_SCORE - cuts.worst_loss / 2


def hint(cut: int) -> str:
    """Say what a cut tells about its pair; the source is `HINT_SOURCE`.

    >>> [hint(cut) for cut in (0, 2, 4, 7)]
    ['no difference', 'hard', 'middling', 'easy']
    """
    if cut <= 0:
        return "no difference"
    return "hard" if cut <= 3 else "middling" if cut <= 5 else "easy"


def check_cuts(top: int, middle: int, bottom: int) -> Cuts:
    """Accept the cuts of the team's own class, or say what to change.

    Raises
    ------
    TruelobeError
        ``cuts-not-whole``, ``cut-too-large``, ``cuts-sum``, ``cuts-below-zero``.
    """
    cuts = _whole(top, middle, bottom)
    if max(top, middle, bottom) > LARGEST_CUT:
        raise TruelobeError(
            "cut-too-large", f"A cut is at most {LARGEST_CUT}.", "Make it smaller: an easy pair is 6 to 8."
        )
    if cuts.total > LARGEST_SUM:
        raise TruelobeError(
            "cuts-sum", f"The three cuts add up to {cuts.total}; {LARGEST_SUM} is the most.", "Take something off."
        )
    if cuts.worst_loss > FULL_SCORE:
        raise TruelobeError(
            "cuts-below-zero",
            f"With {cuts} a reversed placing would score {FULL_SCORE - cuts.worst_loss}, below zero.",
            f"Make the middle cut smaller: at most {FULL_SCORE - 3 * cuts.total} with this sum.",
        )
    return cuts


def cuts_of_officials(top: int, middle: int, bottom: int) -> tuple[Cuts, tuple[Message, ...]]:
    """Accept the cuts that a contest's officials gave, as given, with a note where they leave the usual limits.

    Raises
    ------
    TruelobeError
        ``cuts-not-whole``.
    """
    cuts = _whole(top, middle, bottom)
    try:
        check_cuts(top, middle, bottom)
    except TruelobeError as error:
        words = "Kept as the officials gave them."
        return cuts, (Message("cuts-unusual", error.message.text, words, "note"),)
    return cuts, ()


def _whole(top: int, middle: int, bottom: int) -> Cuts:
    for cut in (top, middle, bottom):
        if isinstance(cut, bool) or not isinstance(cut, int) or cut < 0:
            raise TruelobeError(
                "cuts-not-whole", "Cuts are whole numbers from 0 up.", "Type three whole numbers, such as 2, 5, 3."
            )
    return Cuts(top, middle, bottom)
