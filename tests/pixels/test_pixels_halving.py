"""The first steps of shrinking a large picture: plain block means, and never where they would shift it."""

import numpy as np

from truelobe.pixels import halved


def test_halves_while_a_halving_stays_and_every_pixel_is_the_mean_of_its_block():
    pixels = np.random.default_rng(1).integers(0, 256, (120, 200, 3), dtype=np.uint8)
    small, left = halved(pixels, 8.5)
    assert small.shape == (30, 50, 3)
    assert left == 8.5 / 4
    means = pixels.reshape(30, 4, 50, 4, 3).mean(axis=(1, 3))
    # Two roundings to whole bytes, half a level each.
    assert np.abs(small - means).max() <= 1.0


def test_leaves_odd_sides_and_small_steps_alone():
    odd = np.zeros((121, 200, 3), np.uint8)
    assert halved(odd, 8.0)[0] is odd
    even = np.zeros((120, 200, 3), np.uint8)
    assert halved(even, 2.9)[0] is even
