"""Which way shading runs, and what is made of it, on drawn skin whose direction is known by construction."""

import numpy as np
import pytest

from truelobe.fruit.axis import guessed_axis
from truelobe.fruit.grain import shading_direction
from truelobe.fruit.silhouette import Silhouette, filled

BOX = (0, 0, 240, 240)


def _ring(long: float, short: float, angle: float) -> np.ndarray:
    turn = np.arange(120) * 2 * np.pi / 120
    points = np.column_stack([long * np.cos(turn), short * np.sin(turn)])
    across = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return points @ across + 120


def _skin(angle: float, contrast: float = 40.0) -> np.ndarray:
    """Furrows, 25 pixels apart, that run in the direction of `angle`, under noise of 2 units."""
    rows, columns = np.indices((240, 240))
    away = -np.sin(angle) * columns + np.cos(angle) * rows
    grey = 130 + contrast * np.sin(away * 2 * np.pi / 25) + np.random.default_rng(2).normal(0, 2, (240, 240))
    return np.clip(grey, 0, 255).astype(np.uint8)[..., None].repeat(3, axis=2)


def _silhouette(ring: np.ndarray, grain: np.ndarray, calyx: tuple[int, int] | None = None) -> Silhouette:
    body = filled([ring], BOX)
    mask = np.zeros_like(body)
    if calyx is not None:
        mask[calyx[1] - 5 : calyx[1] + 5, calyx[0] - 5 : calyx[0] + 5] = True
    occluded = (np.zeros(len(ring), bool),)
    centre = ring.mean(axis=0)
    return Silhouette(
        1, BOX, body, mask & body, mask & False, (ring,), (), (), centre, 1.0, False, 0.0, occluded, grain
    )


def _off_deg(direction: np.ndarray, angle: float) -> float:
    cosine = abs(direction @ [np.cos(angle), np.sin(angle)])
    return float(np.degrees(np.arccos(min(cosine, 1.0))))


@pytest.mark.opencv
@pytest.mark.parametrize("angle", [0.0, 0.4, 1.3, 2.6])
def test_furrows_tell_their_direction(angle: float) -> None:
    """One clean period: the tensor's direction is exact but for the pixel grid, here well within 3 degrees."""
    grain = shading_direction(_skin(angle), filled([_ring(100, 100, 0)], BOX))
    found = 0.5 * np.arctan2(grain[1], grain[0])
    assert _off_deg(np.array([np.cos(found), np.sin(found)]), angle) < 3
    assert np.hypot(*grain) > 0.8


def test_even_skin_tells_nothing() -> None:
    """Noise alone has no direction: some 160 independent patches agree by chance to about 1 / sqrt(160)."""
    grain = shading_direction(_skin(0.0, contrast=0.0), filled([_ring(100, 100, 0)], BOX))
    assert np.hypot(*grain) < 4 / np.sqrt(160)


def test_nothing_there_tells_nothing() -> None:
    assert not shading_direction(np.zeros((20, 20, 3), np.uint8), np.zeros((20, 20), bool)).any()


def test_a_round_outline_takes_its_axis_from_the_shading() -> None:
    guess = guessed_axis(_silhouette(_ring(100, 99, 0.0), np.array([0.0, 0.8])))
    assert _off_deg(guess.direction, np.pi / 4) < 2
    assert guess.u_rad < guessed_axis(_silhouette(_ring(100, 99, 0.0), np.zeros(2))).u_rad


def test_a_long_outline_outvotes_weak_shading_across() -> None:
    guess = guessed_axis(_silhouette(_ring(110, 60, 0.3), -0.3 * np.array([np.cos(0.6), np.sin(0.6)])))
    assert _off_deg(guess.direction, 0.3) < 2


def test_a_calyx_glimpsed_at_the_rim_says_which_end() -> None:
    right = guessed_axis(_silhouette(_ring(100, 99, 0.0), np.zeros(2), calyx=(205, 120)))
    left = guessed_axis(_silhouette(_ring(100, 99, 0.0), np.zeros(2), calyx=(35, 120)))
    assert right.direction[0] > 0.95
    assert left.direction[0] < -0.95


def test_green_in_the_middle_says_nothing_of_the_axis() -> None:
    plain = guessed_axis(_silhouette(_ring(100, 80, 1.0), np.zeros(2)))
    patch = guessed_axis(_silhouette(_ring(100, 80, 1.0), np.zeros(2), calyx=(125, 118)))
    assert patch.strength == pytest.approx(plain.strength)
