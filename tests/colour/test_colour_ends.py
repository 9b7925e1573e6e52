"""The pepper's own ends under many corrections at once, held against the same done one by one."""

import numpy as np

from truelobe.colour import load_references
from truelobe.colour.ends import adapted, end_pixels, own_skin
from truelobe.colour.many_ends import adapted_ends


def test_many_at_once_are_the_same_as_one_by_one():
    draw = np.random.default_rng(3)
    rows, pixels = 24, 500
    # Rows from all unripe to all ripe, some with hardly any skin at an end, so that every branch is met.
    middle = np.linspace(-0.2, 1.2, rows)[:, None]
    position = (middle + draw.normal(0, 0.25, (rows, pixels))).astype(np.float32)
    lab = draw.normal((45, 20, 30), (8, 20, 10), (rows, pixels, 3)).astype(np.float32)
    chroma = (np.hypot(lab[..., 1], lab[..., 2]) / (lab[..., 0] + 16)).astype(np.float32)
    weight = np.where(draw.random(pixels) < 0.1, 0, draw.uniform(0.1, 1, pixels)).astype(np.float32)
    for pair in load_references().colours.values():
        ripe, unripe = adapted_ends(lab, position, chroma, weight, pair)
        stayed = 0
        for k in range(rows):
            ends = end_pixels(position[k], chroma[k], weight, pair)
            for end, got, chosen in zip((pair.ripe, pair.unripe), (ripe[k], unripe[k]), ends, strict=True):
                own = own_skin(lab[k], chroma[k], *chosen)
                stayed += own.pixels.size == 0
                # Sums in another order differ by rounding alone.
                np.testing.assert_allclose(got, adapted(end, own), rtol=0, atol=1e-4)
        assert 0 < stayed < 2 * rows
