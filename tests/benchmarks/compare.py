"""Which differences between two kept results are real: plates drawn again and again with replacement.

Peppers of one plate share a camera, a print and a light, so the plate is what is drawn (Efron & Tibshirani 1993,
on units that are independent). Both results are read on the same drawn plates, so what they share cancels.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from tests.benchmarks.tables import UNITS, columns, interval_score, peppers, rmse

from truelobe.messages import TruelobeError

ROUNDS = 1000
Row = dict[str, Any]


@dataclass(frozen=True)
class Difference:
    """How a figure of merit changed from one result to the other, with the bootstrap's 95 % interval."""

    name: str
    before: float
    after: float
    low: float
    high: float

    @property
    def real(self) -> bool:
        """Whether no change lies outside the interval."""
        return self.low > 0 or self.high < 0


def run(before: Path, after: Path) -> list[Difference]:
    """Print every figure of merit of two kept results, and mark the real changes."""
    found = compare(_read(before), _read(after))
    print(f"{'':34}{'before':>10}{'after':>10}   change, 95 % interval")
    for one in found:
        mark = "real" if one.real else "chance"
        change = one.after - one.before
        span = f"{change:+.3f} [{one.low:+.3f}, {one.high:+.3f}] {mark}"
        print(f"{one.name:34}{one.before:10.3f}{one.after:10.3f}   {span}")
    return found


def compare(before: Row, after: Row, rounds: int = ROUNDS, seed: int = 1) -> list[Difference]:
    """Compare two results over the plates that both have."""
    first = {plate["plate"]: plate for plate in before["plates"]}
    second = {plate["plate"]: plate for plate in after["plates"]}
    names = sorted(first.keys() & second.keys())
    if len(names) < 2:
        raise TruelobeError(
            "nothing-to-compare", "The two results share no plates.", "Keep both from the same set."
        )
    drawn = np.random.default_rng(seed).integers(len(names), size=(rounds, len(names)))
    found = []
    for name, collect, merit in _merits():
        ours, theirs = ([collect(plates[n]) for n in names] for plates in (first, second))
        change = [merit(_some(theirs, some)) - merit(_some(ours, some)) for some in drawn]
        low, high = np.nanquantile(change, [0.025, 0.975]) if np.isfinite(change).any() else (np.nan, np.nan)
        every = np.arange(len(names))
        found.append(Difference(name, merit(_some(ours, every)), merit(_some(theirs, every)), low, high))
    return found


def _some(parts: Sequence[np.ndarray], chosen: np.ndarray) -> np.ndarray:
    return np.concatenate([parts[index] for index in chosen], axis=1)


Merit = tuple[str, Callable[[Row], np.ndarray], Callable[[np.ndarray], float]]


def _merits() -> list[Merit]:
    """Return each figure of merit: its name, what it needs of a plate (k, n), and how that becomes a number."""
    merits: list[Merit] = [
        ("plates counted right, share", _count_right, _mean),
        ("peppers found, share", lambda plate: _of_peppers(plate, "found"), _mean),
        ("false, per plate", lambda plate: np.array([[float(plate["false"])]]), _mean),
        ("IoU, not found as 0", lambda plate: _of_peppers(plate, "iou"), _mean),
    ]
    for quantity, unit in UNITS.items():

        def collect(plate: Row, quantity: str = quantity) -> np.ndarray:
            return columns(plate["peppers"], quantity)

        merits += [
            (f"{quantity}: bias, {unit}", collect, lambda four: _mean(four[1:2] - four[:1])),
            (f"{quantity}: RMSE, {unit}", collect, lambda four: rmse(four[1] - four[0])),
            (f"{quantity}: inside, share", collect, _inside),
            (f"{quantity}: half-width, {unit}", collect, lambda four: _mean((four[3:] - four[2:3]) / 2)),
            (f"{quantity}: interval score, {unit}", collect, _score),
        ]
    return merits


def _count_right(plate: Row) -> np.ndarray:
    return np.array([[float(plate["reported"] == len(plate["peppers"]))]])


def _of_peppers(plate: Row, key: str) -> np.ndarray:
    return np.array([[float(row[key]) for row in peppers([plate])]])


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if values.size else float("nan")


def _inside(four: np.ndarray) -> float:
    return _mean(((four[2] <= four[0]) & (four[0] <= four[3]))[None])


def _score(four: np.ndarray) -> float:
    return _mean(interval_score(four[0], four[2], four[3])[None])


def _read(path: Path) -> Row:
    try:
        return dict(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError) as error:
        raise TruelobeError(
            "result-unreadable", f"{path} isn't a kept benchmark result.", "Keep one with bench accuracy --keep."
        ) from error
