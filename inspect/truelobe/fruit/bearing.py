"""Where a pepper's stem end points and how large it is, as the pepper network reads it from the picture.

The direction comes as a mixture of two von Mises-Fisher distributions on the sphere (Mardia & Jupp 2000, 9.3),
since a pepper without its stem may point either way. It is given against the line of sight to the middle of the
outline: across, down, and away from the camera.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from truelobe.camera import View
from truelobe.fruit.silhouette import Silhouette
from truelobe.fruit.single import single_view

Floats = NDArray[np.float64]

# Turns by quarters, and mirrored or not: a look for each network. Eight looks err hardly less than two.
_WAYS = ((0, False), (2, True))
# Maps of the network whose means over the pepper count.
_AXIS, _SIZES = slice(2, 9), slice(9, 13)
# What the network counts ln of sizes in view pixels from.
_USUAL_SIZE = 4.8
# On made plates twice the stated concentrations would be likelier; on 50 real peppers whose stem ends a person
# marked, 0.25 to 0.6 of them is likeliest, by whether the marks are taken to be 5 or 20 degrees vague.
HELD = 0.4
_MOST_HELD = 150.0
# However sure the network is, one direction in so many is any.
_ASTRAY = 0.02
# Of a pepper whose outline is cut off or joined with another's, the network can't tell the size: from the second
# of these standard deviations of the ln of its diameter on, the outline is doubtful; from the first on, where
# others were found again from nearer and this one was not (there sound outlines reach 0.046, cut ones begin at
# 0.069). On the development plates 7 of 218 are doubtful, among them two that are half wrong; of 92 real peppers
# found in small shop photographs, 5 (with the outline network before this one).
_ILL_FITTING = (0.06, 0.11)


@dataclass(frozen=True)
class Bearing:
    """What the network reads of one pepper.

    Attributes
    ----------
    toward : float64, shape (2, 3)
        Unit vectors toward the stem end, each against the line of sight: across, down, away.
    held : float64, shape (2,)
        How firmly each is held: the distributions' concentrations.
    chance : float64, shape (2,)
        Probability of each; their sum is 1.
    diameter_px, length_px : (float, float)
        ln of the greatest diameter and of the length in photo pixels at the pepper's middle, and the standard
        deviation of each.
    middle_px : float64, shape (2,)
        Where the line of sight goes through.
    """

    toward: Floats
    held: Floats
    chance: Floats
    diameter_px: tuple[float, float]
    length_px: tuple[float, float]
    middle_px: Floats

    def log_likelihood(self, axis: Floats, view: View) -> float:
        """Return how well an axis, a unit vector in the camera frame, agrees; 0 where nothing is known."""
        density = self.chance * _density(self.held, self.toward @ against_sight(axis, self.sight(view)))
        return float(np.log((1 - _ASTRAY) * density.sum() * 4 * np.pi + _ASTRAY))

    def axes(self, view: View) -> list[tuple[Floats, float, float]]:
        """Return the directions in the camera frame, each with its standard uncertainty, radians, and chance."""
        sight = self.sight(view)
        return [
            (from_sight(toward, sight), float(1 / np.sqrt(max(held, 1.0))), float(chance))
            for toward, held, chance in zip(self.toward, self.held, self.chance, strict=True)
        ]

    def sight(self, view: View) -> Floats:
        """Return the line of sight, a unit vector in the camera frame."""
        ray = np.append(view.ideal(self.middle_px[None])[0], 1.0)
        unit: Floats = ray / np.linalg.norm(ray)
        return unit


def read_bearing(pixels: NDArray[np.uint8], silhouette: Silhouette) -> Bearing:
    """Ask the network about one pepper.

    Parameters
    ----------
    pixels : uint8, shape (H, W, 3)
        The upright photo.
    silhouette : Silhouette

    Raises
    ------
    TruelobeError
        ``data-missing`` when the network is not there.
    """
    view = single_view(pixels, silhouette)
    inside = view.layers[3] > 0
    means = []
    for turns, mirrored in _WAYS:
        # An outline too thin to show in the view holds no pixel: then nothing is known, and it is doubtful.
        mean = view.ask(turns, mirrored=mirrored)[:, inside].sum(axis=1, dtype=np.float64) / max(inside.sum(), 1)
        pair = _laid_back(mean[_AXIS][:6].reshape(2, 3), turns, mirrored)
        means.append((pair, mean[_AXIS][6], mean[_SIZES]))
    pair, odds = _joined([(pair, odds) for pair, odds, _ in means])
    sizes = np.mean([size for _, _, size in means], axis=0)
    length = np.maximum(np.linalg.norm(pair, axis=1), 1e-3)
    first = 1 / (1 + np.exp(-odds))
    log_px = sizes[::2] + _USUAL_SIZE - np.log(view.zoom)
    spread = np.exp(np.clip(sizes[1::2], -4.5, 1.0))
    return Bearing(
        pair / length[:, None],
        HELD * np.minimum(length, _MOST_HELD),
        np.array([first, 1 - first]),
        (float(log_px[0]), float(spread[0])),
        (float(log_px[1]), float(spread[1])),
        view.middle_px,
    )


def doubted(found: Sequence[Silhouette], bearings: Sequence[Bearing]) -> tuple[Silhouette, ...]:
    """Return the silhouettes of a photo, doubtful where the network can't tell the size of what one holds."""
    looked_closer = any(one.disagreement_px is not None for one in found)
    alone, confirmed = _ILL_FITTING
    limits = [alone if looked_closer and one.disagreement_px is None else confirmed for one in found]
    return tuple(
        replace(one, doubtful=one.doubtful or bearing.diameter_px[1] > limit)
        for one, bearing, limit in zip(found, bearings, limits, strict=True)
    )


def against_sight(axis: Floats, ray: Floats) -> Floats:
    """Return a unit vector of the camera frame against a line of sight: across, down, away, shape (3,)."""
    away = float(np.clip(axis @ ray, -1.0, 1.0))
    across = (axis - away * ray)[:2]
    across = across * (np.sqrt(1 - away**2) / max(float(np.hypot(*across)), 1e-9))
    return np.array([*across, away])


def from_sight(toward: Floats, ray: Floats) -> Floats:
    """The way back: the sideways part lies in the plane at right angles to the line of sight."""
    sideways = np.append(toward[:2], -(toward[:2] @ ray[:2]) / ray[2])
    sideways *= np.sqrt(max(1 - toward[2] ** 2, 0.0)) / max(float(np.linalg.norm(sideways)), 1e-9)
    axis: Floats = sideways + toward[2] * ray
    return axis


def _density(held: Floats, cosine: Floats) -> Floats:
    """Von Mises-Fisher density on the sphere, per steradian."""
    density: Floats = np.exp(held * (cosine - 1)) * held / (2 * np.pi * -np.expm1(-2 * held))
    return density


def _laid_back(vectors: Floats, turns: int, mirrored: bool) -> Floats:
    """Turn vectors read in a turned and mirrored view back upright."""
    x, y, away = vectors.T
    x = -x if mirrored else x
    for _ in range(turns):
        x, y = -y, x
    return np.column_stack([x, y, away])


def _joined(answers: list[tuple[Floats, float]]) -> tuple[Floats, float]:
    """Mean of several looks, whose two directions may stand in either order."""
    (first, odds), *others = answers
    pairs, every = [first], [odds]
    for pair, odd in others:
        straight, crossed = (float(np.sum(first * other)) for other in (pair, pair[::-1]))
        pairs.append(pair if straight >= crossed else pair[::-1])
        every.append(odd if straight >= crossed else -odd)
    return np.mean(pairs, axis=0), float(np.mean(every))
