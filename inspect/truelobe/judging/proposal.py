"""Make up four plates from a pool of measured peppers, by a wanted trait and how hard each pair should be.

The plates differ in one trait by chosen steps and are otherwise alike as far as the pool allows. This proposes
plates, never a placing: numbers are for the coach to give and the order for the coach to judge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, pstdev
from typing import Literal

from truelobe.figures import Figure
from truelobe.judging.contrast import Term, contrast, is_real
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.units import inch_fraction, percent

Trait = Literal["diameter", "length", "not fully colored"]
Difficulty = Literal["hard", "middling", "easy"]
#: How far apart a pair's plates lie, in steps as large as the pool allows: our own choice, no published source.
STEPS: Mapping[Difficulty, float] = {"hard": 1.0, "middling": 2.0, "easy": 3.0}
MOST_POOL = 120
_FIELDS: Mapping[Trait, str] = {
    "diameter": "diameter_mm",
    "length": "length_mm",
    "not fully colored": "not_fully_coloured",
}
_ROUNDS = 30


@dataclass(frozen=True)
class PoolPepper:
    """One measured pepper that can be put on a plate.

    Attributes
    ----------
    name : str
        Where to find it: plate and number.
    figures : mapping of str to Figure
        By trait; those not measured are missing.
    """

    name: str
    figures: Mapping[str, Figure]


@dataclass(frozen=True)
class Proposal:
    """Four plates, largest value of the trait first.

    Attributes
    ----------
    plates : tuple of tuple of PoolPepper
    means : tuple of float
        Of the trait, mm or a fraction.
    real : tuple of bool
        For each neighboring pair, whether its difference is larger than its uncertainty.
    shopping : tuple of str
        What to bring where a pair's difference is not real or not as wanted.
    """

    plates: tuple[tuple[PoolPepper, ...], ...]
    means: tuple[float, ...]
    real: tuple[bool, ...]
    shopping: tuple[str, ...]


def pool_of(store: Store, uids: Iterable[str]) -> tuple[PoolPepper, ...]:
    """Return the measured peppers of kept plates, each photo's peppers once."""
    found: dict[tuple[str, int], PoolPepper] = {}
    for uid in uids:
        document = store.inspections.document(uid)
        title = store.inspections.get(uid).title or "Plate"
        for pepper in (document or {"peppers": ()})["peppers"]:
            assert document is not None
            figures: dict[str, Figure] = {
                name: Figure.from_document(pepper[field]) for name, field in _FIELDS.items() if pepper.get(field)
            }
            key = (str(document["photo"]["sha256"]), int(pepper["number"]))
            found[key] = PoolPepper(f"{title}, number {pepper['number']}", figures)
    return tuple(found.values())


def propose(
    pool: Sequence[PoolPepper], trait: Trait, pairs: tuple[Difficulty, Difficulty, Difficulty], on_plate: int
) -> Proposal:
    """Return four plates.

    Parameters
    ----------
    pool : sequence of PoolPepper
    trait : {"diameter", "length", "not fully colored"}
    pairs : three of {"hard", "middling", "easy"}
        Top, middle and bottom pair.
    on_plate : int
        Peppers on a plate.

    Raises
    ------
    TruelobeError
        ``pool-too-small``, with how many are missing; ``pool-too-large``.
    """
    fit = sorted((p for p in pool if trait in p.figures), key=lambda p: -p.figures[trait].value)
    if len(fit) < 4 * on_plate:
        raise TruelobeError(
            "pool-too-small",
            f"Four plates of {on_plate} need {4 * on_plate} measured peppers; {len(fit)} fit.",
            f"Measure {4 * on_plate - len(fit)} more.",
        )
    if len(fit) > MOST_POOL:
        raise TruelobeError("pool-too-large", f"At most {MOST_POOL} peppers at once.", "Choose fewer plates.")
    values = [p.figures[trait].value for p in fit]
    targets = _targets(values, pairs, on_plate)
    plates = _fill(fit, trait, targets, on_plate)
    means = tuple(fmean(p.figures[trait].value for p in plate) for plate in plates)
    real = tuple(_real(a, b, trait) for a, b in pairwise(plates))
    return Proposal(plates, means, real, _shopping(trait, targets, plates, real))


def _targets(values: Sequence[float], pairs: Sequence[Difficulty], on_plate: int) -> list[float]:
    """Return the wanted means: as far apart as the ends of the pool allow, in the wanted proportion."""
    top, bottom = fmean(values[:on_plate]), fmean(values[-on_plate:])
    steps = [STEPS[pair] for pair in pairs]
    return [top - (top - bottom) * sum(steps[:n]) / sum(steps) for n in range(4)]


def _fill(
    pool: Sequence[PoolPepper], trait: Trait, targets: Sequence[float], on_plate: int
) -> tuple[tuple[PoolPepper, ...], ...]:
    """Give each plate the peppers nearest its wanted mean, then exchange while that brings the means nearer."""
    left = list(pool)
    plates: list[list[PoolPepper]] = []
    for n in (0, 3, 1, 2):  # the ends of the pool first: nothing else can make the outer plates
        left.sort(key=lambda p: abs(p.figures[trait].value - targets[n]))
        plates.append(left[:on_plate])
        left = left[on_plate:]
    ordered = [plates[0], plates[2], plates[3], plates[1]]
    groups = [*ordered, left]
    for _ in range(_ROUNDS):
        if not any(_exchange(groups, i, j, trait, targets) for i in range(4) for j in range(i + 1, 5)):
            break
    return tuple(tuple(plate) for plate in groups[:4])


def _exchange(groups: list[list[PoolPepper]], i: int, j: int, trait: Trait, targets: Sequence[float]) -> bool:
    """Exchange the one pair of peppers that helps two groups most; tell whether one helped."""
    now = _misfit(groups, i, trait, targets) + _misfit(groups, j, trait, targets)
    best, found = now - 1e-9, None
    for a in range(len(groups[i])):
        for b in range(len(groups[j])):
            _swap(groups, i, a, j, b)
            fit = _misfit(groups, i, trait, targets) + _misfit(groups, j, trait, targets)
            _swap(groups, i, a, j, b)
            if fit < best:
                best, found = fit, (a, b)
    if found is not None:
        _swap(groups, i, found[0], j, found[1])
    return found is not None


def _swap(groups: list[list[PoolPepper]], i: int, a: int, j: int, b: int) -> None:
    groups[i][a], groups[j][b] = groups[j][b], groups[i][a]


def _misfit(groups: list[list[PoolPepper]], n: int, trait: Trait, targets: Sequence[float]) -> float:
    """Return how far a plate is from what is wanted: its mean, and a little for being uneven. Those left fit."""
    if n >= 4:
        return 0.0
    values = [p.figures[trait].value for p in groups[n]]
    mean = fmean(values)
    return (mean - targets[n]) ** 2 + 0.05 * fmean((v - mean) ** 2 for v in values)


def _real(first: Sequence[PoolPepper], second: Sequence[PoolPepper], trait: Trait) -> bool:
    """Tell whether two plates differ really; nothing is taken for shared, since peppers come from many photos."""
    terms = [
        Term(weight / len(plate), p.figures[trait], p.name, p.name, p.name, p.name)
        for plate, weight in ((first, 1.0), (second, -1.0))
        for p in plate
    ]
    return is_real(contrast(terms))


def _shopping(
    trait: Trait, targets: Sequence[float], plates: Sequence[Sequence[PoolPepper]], real: Sequence[bool]
) -> tuple[str, ...]:
    """Say what to bring for each plate that misses its place, is uneven, or does not stand out at an end.

    A plate misses its place when its mean is off by more than a quarter of the nearest step; it is uneven when its
    peppers spread wider than that step.
    """
    lines = []
    for n, plate in enumerate(plates):
        values = [p.figures[trait].value for p in plate]
        step = min(abs(targets[n] - targets[k]) for k in (n - 1, n + 1) if 0 <= k < 4)
        off = abs(fmean(values) - targets[n]) > 0.25 * step or pstdev(values) > step
        unclear = n in (0, 3) and not real[max(0, n - 1)]
        if off or unclear:
            lines.append(f"Plate {'ABCD'[n]}: {_wanted(trait, targets[n], len(plate))}")
    return tuple(lines)


def _wanted(trait: Trait, target: float, on_plate: int) -> str:
    if trait == "not fully colored":
        return f"{on_plate} peppers about {percent(max(0.0, target))} not fully colored."
    across = "across" if trait == "diameter" else "long"
    return f"{on_plate} peppers about {inch_fraction(target)} {across} ({math.floor(target + 0.5)} mm)."
