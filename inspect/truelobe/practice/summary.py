"""What a student's answers say, in words for the student first and figures for the coach after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from truelobe.practice.agreement import (
    SMALL_BELOW,
    BlandAltman,
    Concordance,
    EyeFit,
    bland_altman,
    concordance,
    fit_eye,
    mean_error,
)
from truelobe.practice.blocks import Answer
from truelobe.practice.gallery_pictures import OWN
from truelobe.practice.pictures import HOUSE_PERCENT
from truelobe.practice.progress import PROBES, Change, judge_change, over_time
from truelobe.practice.threshold import FEWEST, Threshold, fit_threshold

ENOUGH = 70
RUN = 10


@dataclass(frozen=True)
class Group:
    """The answers on one color, or on small patches."""

    name: str
    count: int
    mean_error: float
    lean: float


@dataclass(frozen=True)
class Step:
    """A run of ten answers: how far off they were on average, and what they were for.

    Attributes
    ----------
    number : int
        Counts from 1 within its role.
    mean_error : float
        Points.
    role : {"practice", "before", "after"}
        Practice follows the student, so its pictures get harder; only the tests can be compared.
    day : date
        Of its last answer.
    """

    number: int
    mean_error: float
    role: str
    day: date


@dataclass(frozen=True)
class Need:
    """What would help this student most: words, and the drill that fits."""

    words: str
    kind: str
    focus: str


@dataclass(frozen=True)
class Summary:
    """A student's eye.

    Attributes
    ----------
    words : tuple of str
        Plain sentences, the most important first.
    percent : tuple of (float, float)
        Truth and answer of each color answer, in percent.
    fit, agreement, limits, threshold : or None
        The coach's figures, where there are answers enough.
    change : Change
        Before against after, of the latest round.
    groups : tuple of Group
    need : Need
    over_time : tuple of Step
    """

    words: tuple[str, ...]
    percent: tuple[tuple[float, float], ...]
    fit: EyeFit | None
    agreement: Concordance | None
    limits: BlandAltman | None
    threshold: Threshold | None
    change: Change
    groups: tuple[Group, ...]
    need: Need
    over_time: tuple[Step, ...]


def summarise(answers: Sequence[Answer]) -> Summary:
    """Read a student's answers (all kinds, oldest first).

    Figures rest on pictures whose truth is exact; answers to peppers of the team's own gallery are counted apart.
    """
    own = [a for a in answers if a.picture.startswith(OWN)]
    exact = [a for a in answers if not a.picture.startswith(OWN)]
    percent = [a for a in exact if a.kind == "percent"]
    truth = np.array([a.truth for a in percent])
    given = np.array([a.answer for a in percent])
    fit = fit_eye(truth, given) if percent else None
    calls = [a for a in exact if a.kind == "threshold"]
    threshold = fit_threshold([a.truth for a in calls], [a.answer for a in calls])
    change = _change(percent)
    groups = _groups(percent)
    return Summary(
        words=(*_words(truth, given, fit, threshold, len(calls), change), *_own_words(own)),
        percent=tuple(zip(truth.tolist(), given.tolist(), strict=True)),
        fit=fit,
        agreement=concordance(given, truth),
        limits=bland_altman(given, truth) if len(percent) > 2 else None,
        threshold=threshold,
        change=change,
        groups=groups,
        need=_need(percent, fit, threshold, groups),
        over_time=steps(percent),
    )


def steps(percent: Sequence[Answer]) -> tuple[Step, ...]:
    """Return how color answers went over time, each full run of ten of one role."""
    found: list[tuple[datetime, Step]] = []
    for role in ("practice", "before", "after"):
        mine = [a for a in percent if a.role == role]
        errors = over_time([abs(a.answer - a.truth) for a in mine], RUN)
        for number, error in enumerate(errors, start=1):
            at = mine[RUN * number - 1].at
            found.append((at, Step(number, error, role, at.date())))
    return tuple(step for _, step in sorted(found, key=lambda pair: pair[0]))


def _own_words(own: Sequence[Answer]) -> list[str]:
    if not own:
        return []
    return [f"{len(own)} answers on your own gallery's peppers stand apart: what was measured is not exact."]


def _change(percent: Sequence[Answer]) -> Change:
    last = max((a.round_number for a in percent), default=1)
    errors = {
        role: [abs(a.answer - a.truth) for a in percent if a.role == role and a.round_number == last]
        for role in ("before", "after")
    }
    return judge_change(errors["before"], errors["after"], last)


def _groups(percent: Sequence[Answer]) -> tuple[Group, ...]:
    named: dict[str, list[Answer]] = {}
    for answer in percent:
        named.setdefault(answer.colour, []).append(answer)
    small = [a for a in percent if a.truth < SMALL_BELOW]
    lists = [*sorted(named.items()), *([("small patches", small)] if small else [])]
    return tuple(
        Group(
            name,
            len(some),
            mean_error([a.truth for a in some], [a.answer for a in some]),
            float(np.mean([a.answer - a.truth for a in some])),
        )
        for name, some in lists
    )


def _words(
    truth: np.ndarray,
    given: np.ndarray,
    fit: EyeFit | None,
    threshold: Threshold | None,
    calls: int,
    change: Change,
) -> list[str]:
    count = len(truth)
    if not count and not calls:
        return ["No answers yet. Ten pictures are a start."]
    lines = []
    if count:
        lines.append(f"You are off by {mean_error(truth, given):.0f} points on average, over {count} pictures.")
    if fit is not None:
        lines += _eye_words(fit)
    if count and count < ENOUGH:
        lines.append(f"Not enough pictures yet to be firm: {ENOUGH - count} more will do.")
    if threshold is not None:
        at = threshold.at
        lines.append(
            f"You start to call “over” at about {at.value:.0f} percent (somewhere from {at.low:.0f} to "
            f"{at.high:.0f}); the house rule stands at {HOUSE_PERCENT:.0f}."
        )
    elif calls:
        lines.append(f"Your own threshold shows after {FEWEST} calls of both sorts; so far there are {calls}.")
    return lines + _change_words(change)


def _eye_words(fit: EyeFit) -> list[str]:
    bias, lines = fit.bias, []
    if bias.certain:
        lines.append(
            f"You call {'too much' if bias.value > 0 else 'too little'}, by about {abs(bias.value):.0f} points."
        )
    else:
        lines.append("You lean neither way that could be told for sure.")
    if fit.small is not None and fit.small.certain:
        more = "add" if fit.small.value > 0 else "take off"
        lines.append(f"On small patches you {more} about {abs(fit.small.value):.0f} points more.")
    lines.append(f"Beyond that, two answers of three land within {fit.spread.value:.0f} points.")
    return lines


def _change_words(change: Change) -> list[str]:
    if not change.pairs:
        return []
    now = f"Before, you were off by {change.before:.1f} points; now by {change.after:.1f}."
    if change.better:
        return [now, "Your eye has become better. That is more than luck."]
    if change.next_look is None:
        return [now, "That is not enough of a difference to call it better yet."]
    return [now, f"Too early to say: we look again after {change.next_look} of {PROBES} pictures."]


def _need(
    percent: Sequence[Answer], fit: EyeFit | None, threshold: Threshold | None, groups: Sequence[Group]
) -> Need:
    if len(percent) < 10:
        return Need("Has hardly begun: color by percent", "percent", "")
    if fit is not None and fit.small is not None and fit.small.certain and fit.small.value > 2:
        return Need("Sees small patches too large", "percent", "small")
    if threshold is not None and not threshold.at.low <= HOUSE_PERCENT <= threshold.at.high:
        late = "late" if threshold.at.value > HOUSE_PERCENT else "early"
        return Need(f"Calls “over” too {late}", "threshold", "")
    colours = [g for g in groups if g.name != "small patches" and g.count >= 5]
    if colours:
        worst = max(colours, key=lambda g: g.mean_error)
        return Need(f"Is furthest off on {worst.name} ({worst.mean_error:.0f} points)", "percent", worst.name)
    return Need("More of everything", "percent", "")
