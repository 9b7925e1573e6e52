"""Slopes read from the picture, held against a ball whose slope is known."""

import numpy as np
import pytest

from truelobe.fruit.silhouette import Silhouette
from truelobe.fruit.slopes import read_slopes

pytestmark = pytest.mark.opencv
RADIUS, SIDE = 110, 400


def ball(light: float = 1.0, turn: int = 0) -> tuple[np.ndarray, Silhouette, np.ndarray]:
    """A red matt ball under a lamp to one side and a bright room, its silhouette, and 1 / cosine over its box."""
    y, x = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2
    flat = (x**2 + y**2) / RADIUS**2
    inside = flat < 1
    up = np.sqrt(np.where(inside, 1 - flat, 0))
    lamp = np.array([-0.4, -0.3, 0.87])
    shade = 0.25 + 0.75 * np.maximum(lamp @ np.stack([x / RADIUS, y / RADIUS, up]).reshape(3, -1), 0).reshape(
        x.shape
    )
    linear = np.where(inside[..., None], shade[..., None] * np.array([0.45, 0.03, 0.02]), 0.5) * light
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    pixels = np.rot90((255 * coded).round().astype(np.uint8), turn)
    low, high = int(np.flatnonzero(inside.any(axis=0))[0]), int(np.flatnonzero(inside.any(axis=0))[-1]) + 1
    body = inside[low:high, low:high]
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    ring = (SIDE - 1) / 2 + RADIUS * np.column_stack([np.cos(angle), np.sin(angle)])
    none = np.zeros_like(body)
    silhouette = Silhouette(
        1, (low, low, high, high), body, none, none, (ring,), (), (), np.array([199.5, 199.5]), 0.99, False, 0.0,
        (np.zeros(120, bool),),
    )  # fmt: skip
    return np.ascontiguousarray(pixels), silhouette, 1 / np.maximum(up, 0.2)[low:high, low:high]


def test_a_ball_is_read_within_what_the_reading_says():
    pixels, silhouette, true = ball()
    slopes = read_slopes(pixels, silhouette)
    # Analytic: the cosine of a ball is sqrt(1 - r2). A ball is no pepper (the network saw lobed ones alone), so
    # each pixel may be off by three of its own standard deviations, at least 8 %, as places of 8 mm are.
    facing = true < 2
    off = np.abs(np.log(slopes.inverse / true))[facing]
    assert np.mean(off < 3 * np.maximum(slopes.u[facing], 0.08)) > 0.95
    area = slopes.inverse[facing].sum() / true[facing].sum()
    assert area == pytest.approx(1, abs=0.1)


def test_nearer_the_rim_it_is_steeper_and_less_sure():
    pixels, silhouette, true = ball()
    slopes = read_slopes(pixels, silhouette)
    middle, rim = true < 1.1, (true > 1.8) & (true < 2.5)
    assert slopes.inverse[rim].mean() > 1.3 * slopes.inverse[middle].mean()
    assert slopes.u[rim].mean() > slopes.u[middle].mean()


def test_exposure_and_a_quarter_turn_change_nothing():
    plain = read_slopes(*ball()[:2]).inverse
    dark, silhouette, _ = ball(light=0.5)
    # Half the light is one stop; eight bits round it by half a step in about sixty.
    assert np.abs(read_slopes(dark, silhouette).inverse / plain - 1).mean() < 0.02
    turned, silhouette, _ = ball(turn=1)
    assert np.abs(np.rot90(read_slopes(turned, silhouette).inverse, -1) / plain - 1).max() < 0.01


def test_a_pepper_at_the_photos_edge_is_read_too():
    pixels, silhouette, _ = ball()
    x0, y0, x1, y1 = silhouette.box
    close = np.ascontiguousarray(pixels[y0:y1, x0:x1])
    moved = Silhouette(**{**vars(silhouette), "box": (0, 0, x1 - x0, y1 - y0)})
    slopes = read_slopes(close, moved)
    assert slopes.inverse.shape == silhouette.body.shape
    assert np.isfinite(slopes.inverse).all()
    assert slopes.u.mean() < 0.3
