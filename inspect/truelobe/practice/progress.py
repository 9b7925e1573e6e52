"""Has the eye become better? Said only when the change is real, however often one looks.

Mean error of matched pictures before and after practice, in pairs. One-sided: the question is "better". There is
a fixed number of looks within a round; the allowed false alarms are spent over them after K. K. G. Lan & D. L.
DeMets (Biometrika 70 (1983) 659-663) with the function that spends little early (P. C. O'Brien & T. R. Fleming,
Biometrics 35 (1979) 549-556), and over the rounds of a student by halving, so that all looks together stay within
`ALL_FALSE_ALARMS`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm, t

Floats = NDArray[np.float64]

PROBES = 70
LOOKS = (28, 42, 56, 70)
"""After how many matched pairs a claim is looked at; in between nothing new is said."""
ALL_FALSE_ALARMS = 0.05
FIRST_ROUND = 0.04


def allowed(round_number: int) -> float:
    """Return what the claim of one round (from 1) may cost; all rounds together stay within the whole.

    >>> allowed(1), round(sum(allowed(n) for n in range(1, 60)), 6)
    (0.04, 0.05)
    """
    if round_number < 1:
        raise ValueError("rounds count from 1")
    return FIRST_ROUND if round_number == 1 else (ALL_FALSE_ALARMS - FIRST_ROUND) * 2.0 ** (1 - round_number)


def spent(share: float, alpha: float) -> float:
    """Return the false alarms that may have been spent when `share` of a round has been seen (one-sided)."""
    return 2 * float(norm.sf(norm.isf(alpha / 2) / math.sqrt(share)))


@cache
def boundaries(alpha: float, looks: tuple[int, ...] = LOOKS) -> tuple[float, ...]:
    """Return the standard normal value to pass at each look, spending `alpha` over all of them.

    The sum of the differences moves on between looks by independent normal steps; the density of what has not
    passed yet is carried along on a grid (P. Armitage, C. K. McPherson & B. C. Rowe, J. R. Stat. Soc. A 132 (1969)
    235-244).
    """
    grid = np.linspace(-9, 9, 901)
    step = grid[1] - grid[0]
    found: list[float] = []
    density = np.zeros_like(grid)
    seen, used = 0.0, 0.0
    for number, look in enumerate(looks):
        share = look / looks[-1]
        # The walk stands at z sqrt(share); on [0, 1] its variance is the share.
        if number == 0:
            density = norm.pdf(grid, scale=math.sqrt(share))
        else:
            density = step * norm.pdf(grid[:, None] - grid[None, :], scale=math.sqrt(share - seen)) @ density
        budget = spent(share, alpha) - used
        tail = np.concatenate([np.cumsum((density[:-1] + density[1:])[::-1] / 2 * step)[::-1], [0.0]])
        at = float(np.interp(-budget, -tail, grid))
        found.append(at / math.sqrt(share))
        used += budget
        density = np.where(grid < at, density, 0.0)
        seen = share
    return tuple(found)


@dataclass(frozen=True)
class Change:
    """What before and after say.

    Attributes
    ----------
    pairs : int
        Matched pairs answered so far.
    looked_at : int
        Pairs at the last look; 0 before the first.
    before, after : float
        Mean error over all pairs so far, in points (nan with none).
    better : bool
        Whether any look so far has shown a real fall. Once said, it stays said.
    next_look : int or None
        Pairs at which the next look is taken.
    """

    pairs: int
    looked_at: int
    before: float
    after: float
    better: bool
    next_look: int | None


def judge_change(before: ArrayLike, after: ArrayLike, round_number: int = 1) -> Change:
    """Judge a round from errors of matched pictures.

    Parameters
    ----------
    before, after : array_like (n,)
        Absolute errors, in points; entry k of both belongs to one matched pair. The longer one is cut.
    round_number : int
        Which round of this student, from 1.
    """
    first, second = np.asarray(before, float), np.asarray(after, float)
    pairs = min(len(first), len(second))
    first, second = first[:pairs], second[:pairs]
    due = [look for look in LOOKS if look <= pairs]
    limits = boundaries(allowed(round_number))
    better = any(_passes(first[:n] - second[:n], limit) for n, limit in zip(due, limits, strict=False))
    means = (float(first.mean()), float(second.mean())) if pairs else (math.nan, math.nan)
    following = [look for look in LOOKS if look > pairs]
    return Change(pairs, due[-1] if due else 0, *means, better, following[0] if following else None)


def _passes(falls: Floats, limit: float) -> bool:
    """Whether the mean fall passes a look; the limit is carried from the normal law to Student's t."""
    spread = float(falls.std(ddof=1))
    if spread == 0:
        return bool(falls.mean() > 0)
    needed = float(t.isf(norm.sf(limit), len(falls) - 1))
    return bool(falls.mean() / (spread / math.sqrt(len(falls))) > needed)


def over_time(errors: Sequence[float], block: int = 10) -> tuple[float, ...]:
    """Return the mean error of each full run of `block` answers, oldest first."""
    full = len(errors) // block
    return tuple(float(np.mean(errors[k * block : (k + 1) * block])) for k in range(full))
