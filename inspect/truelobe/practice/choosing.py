"""Which picture next. Practice follows the student; probes never do.

Practice looks for the kind of picture (color and amount) where the student errs most or is known least. Probes are
matched pairs, one of each pair before practice and one after, which way round decided by lot for each student: so
neither harder practice nor a harder list can look like a worse eye.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from truelobe.practice.pictures import HOUSE_PERCENT, Picture

#: Amounts are practiced in bands, in percent; fine at the low end, where people are furthest off.
BANDS = (0.0, 3.0, 10.0, 20.0, 40.0, 100.1)
#: What an untrained eye's mean error is before anything is known (plant cover, 7.6 points), worth two answers.
PRIOR_ERROR, PRIOR_WEIGHT = 7.6, 2.0
RESTS_FOR = 40
RECENT = 12


@dataclass(frozen=True)
class Given:
    """An answer as choosing needs it: which picture, how wrong (points; 0 to 1 scaled alike for yes and no)."""

    picture: str
    error: float


def band(picture: Picture) -> int:
    """Return the number of the band that a picture's amount lies in."""
    return int(np.searchsorted(BANDS, picture.percent(), side="right")) - 1


def next_picture(
    pool: Mapping[str, Picture],
    answers: Sequence[Given],
    seed: int,
    *,
    reserved: Collection[str] = (),
    wanted: Callable[[Picture], bool] = lambda picture: True,
) -> Picture:
    """Choose a practice picture.

    Parameters
    ----------
    pool : Mapping
        All pictures by id.
    answers : sequence of Given
        The student's answers in this kind of drill, oldest first.
    seed : int
        The student's; with the number of answers it decides ties, so that coming back shows the same picture.
    reserved : collection of str
        Pictures kept for probes.
    wanted : callable
        What the drill is about (a color, small patches).
    """
    free = [p for p in pool.values() if p.id not in reserved and wanted(p)]
    free = free or [p for p in pool.values() if wanted(p)] or list(pool.values())
    resting = {a.picture for a in answers[-min(RESTS_FOR, len(free) // 2) :]} if len(free) > 1 else set()
    free = [p for p in free if p.id not in resting] or free
    rng = np.random.default_rng([seed, len(answers)])
    worth = _worth(pool, answers)
    best = max((worth.get(_kind(p), _unseen()) for p in free), default=0.0)
    shortlist = [p for p in free if worth.get(_kind(p), _unseen()) >= 0.85 * best]
    return shortlist[int(rng.integers(len(shortlist)))]


def _kind(picture: Picture) -> tuple[str, int]:
    return picture.colour, band(picture)


def _unseen() -> float:
    return PRIOR_ERROR * (1 + 1 / math.sqrt(PRIOR_WEIGHT))


def _worth(pool: Mapping[str, Picture], answers: Sequence[Given]) -> dict[tuple[str, int], float]:
    """Expected error of each kind, plus how little is known of it."""
    errors: dict[tuple[str, int], list[float]] = {}
    for answer in answers:
        if answer.picture in pool:
            errors.setdefault(_kind(pool[answer.picture]), []).append(answer.error)
    worth = {}
    for kind, all_of_them in errors.items():
        recent = all_of_them[-RECENT:]
        weight = PRIOR_WEIGHT + len(recent)
        mean = (PRIOR_ERROR * PRIOR_WEIGHT + sum(recent)) / weight
        worth[kind] = mean * (1 + 1 / math.sqrt(weight))
    return worth


def matched_pairs(pool: Mapping[str, Picture]) -> tuple[tuple[Picture, Picture], ...]:
    """Return pictures paired with the nearest of their color and make by amount; closest pairs first."""
    pairs = []
    groups: dict[tuple[str, str], list[Picture]] = {}
    for picture in pool.values():
        groups.setdefault((picture.colour, picture.made), []).append(picture)
    for group in groups.values():
        ordered = sorted(group, key=lambda p: (p.percent(), p.id))
        pairs += list(zip(ordered[::2], ordered[1::2], strict=False))
    return tuple(sorted(pairs, key=lambda pair: abs(pair[0].percent() - pair[1].percent())))


def probe_lists(pool: Mapping[str, Picture], seed: int, count: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the pictures of a round's probes, before and after; entry k of both is a matched pair.

    Raises
    ------
    ValueError
        When the pool holds fewer than `count` pairs.
    """
    pairs = matched_pairs(pool)
    if len(pairs) < count:
        raise ValueError(f"{count} matched pairs are asked for, there are {len(pairs)}")
    rng = np.random.default_rng([seed, 7])
    order = rng.permutation(count)
    turned = rng.random(count) < 0.5
    before = tuple(pairs[k][int(turned[k])].id for k in order)
    after = tuple(pairs[k][1 - int(turned[k])].id for k in order)
    return before, after


def near_house_rule(picture: Picture) -> bool:
    """Whether a picture can teach the threshold: within 25 points of it."""
    return abs(picture.percent() - HOUSE_PERCENT) <= 25
