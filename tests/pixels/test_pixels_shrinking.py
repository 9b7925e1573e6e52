"""Shrinking layers to a size: plain means of what a pixel covers, nearly so where it is halved on the way."""

import numpy as np
import pytest

from truelobe.pixels import shrunk

# Six to one goes by two halvings: a last pixel covers one and a half of their pixels, four wide. The half one
# counts with its own middle, a quarter of it off, and for a third of the sum.
OFF_PX = 4 / 4 / 3


def test_shrunk_at_once_each_pixel_is_the_mean_of_its_block() -> None:
    layer = np.random.default_rng(1).random((80, 60)).astype(np.float32)
    means = layer.reshape(40, 2, 30, 2).mean(axis=(1, 3))
    np.testing.assert_allclose(shrunk(layer, (30, 40)), means, atol=1e-6)


def test_bytes_are_rounded_to_whole_levels_and_no_more() -> None:
    pixels = np.random.default_rng(2).integers(0, 256, (160, 120, 3), dtype=np.uint8)
    means = pixels.reshape(40, 4, 30, 4, 3).mean(axis=(1, 3))
    # One halving and the last step, each to whole levels.
    assert np.abs(shrunk(pixels, (30, 40)) - means).max() <= 1.0


def test_of_a_mask_the_share_that_is_true() -> None:
    mask = np.zeros((80, 60), dtype=np.bool_)
    mask[:40], mask[40:60, ::2] = True, True
    small = shrunk(mask, (15, 20))
    np.testing.assert_allclose(small[:10], 1.0, atol=1 / 255)
    np.testing.assert_allclose(small[10:15], 0.5, atol=1.5 / 255)
    assert not small[15:].any()


@pytest.mark.parametrize(("shape", "left_out"), [((120, 92), 0), ((121, 93), 1), ((122, 94), 2), ((123, 95), 3)])
def test_halving_moves_nothing_by_more_than_what_is_left_out_and_a_third_of_a_pixel(
    shape: tuple[int, int], left_out: int
) -> None:
    down, across = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    size = (15, 20)
    for place, small, length in ((down, shrunk(down, size), 20), (across, shrunk(across, size).T, 15)):
        side = place.max() + 1
        middles = (np.arange(length) + 0.5) * side / length - 0.5
        assert np.abs(small.mean(axis=1) - middles).max() <= left_out + OFF_PX + 1e-3
