"""Smooth random fields: the irregular part of every surface, pattern and cloth."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]


class Field:
    """A smooth random function of position, about unit standard deviation.

    Parameters
    ----------
    rng : numpy.random.Generator
    scale : float
        Length of the coarsest waves, in the unit of the positions.
    octaves : int
        How many times finer waves are added, each half as long and `fade` times as strong.
    """

    def __init__(
        self,
        rng: np.random.Generator,
        scale: float,
        *,
        dimensions: int = 3,
        octaves: int = 2,
        fade: float = 0.5,
        waves: int = 10,
    ) -> None:
        directions, phases, weights = [], [], []
        for octave in range(octaves):
            length = scale / 2**octave
            directions.append(rng.normal(size=(waves, dimensions)) * 2 * np.pi / length / 1.6)
            phases.append(rng.uniform(0, 2 * np.pi, waves))
            weights.append(np.full(waves, fade**octave))
        self._k = np.concatenate(directions)
        self._phase = np.concatenate(phases)
        weight = np.concatenate(weights)
        self._weight = weight / np.sqrt((weight**2).sum() / 2)

    def __call__(self, points: Floats) -> Floats:
        """Values (...,) at points (..., dimensions)."""
        waves = np.asarray(points, np.float32) @ self._k.T.astype(np.float32) + self._phase.astype(np.float32)
        return (np.cos(waves) @ self._weight.astype(np.float32)).astype(np.float64)


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """One uniform draw."""
    return float(rng.uniform(low, high))


def chance(rng: np.random.Generator, probability: float) -> bool:
    """One throw of a coin."""
    return bool(rng.random() < probability)


def pick(rng: np.random.Generator, weights: dict[str, float]) -> str:
    """One key, as often as its weight says."""
    names = list(weights)
    p = np.array([weights[name] for name in names], float)
    return str(names[int(rng.choice(len(names), p=p / p.sum()))])
