"""How votes part fruits, on maps made for the question."""

from pathlib import Path

import numpy as np
import pytest

from truelobe.fruit.grouping import group
from truelobe.fruit.network import FruitMaps

pytestmark = pytest.mark.opencv
MIDDLE, RADIUS = np.array([100.0, 90.0]), 32.0


def maps_with(part, wide_px, border):
    """One round fruit of which `part`, a mask, votes for places scattered far away, `border` lying between."""
    rows, columns = np.mgrid[:180, :240]
    fruit = (np.hypot(columns - MIDDLE[0], rows - MIDDLE[1]) <= RADIUS) | part
    vector = MIDDLE - np.stack([columns, rows], -1)
    places = np.stack(np.meshgrid(*[np.linspace(-wide_px, wide_px, 40)] * 2), -1).reshape(-1, 2)
    spots = np.argwhere(part)[:, ::-1]
    chosen = places[np.arange(len(spots)) * 7 % len(places)]
    vector[part] = MIDDLE + chosen + np.sign(chosen) * RADIUS / 2 - spots
    return FruitMaps(
        fruit=np.where(fruit, 6.0, -6.0).astype(np.float32),
        calyx=np.full(fruit.shape, -6, np.float32),
        stem=np.full(fruit.shape, -6, np.float32),
        vector=vector.astype(np.float32),
        contact=border.astype(np.float32),
        scale=(1.0, 1.0),
        shape=fruit.shape,
        exclude=(),
        model=Path("none"),
    )


def sliver(width, height=16):
    """A piece beside the fruit, and the line between the two."""
    piece, line = np.zeros((2, 180, 240), bool)
    right, top = int(MIDDLE[0] + RADIUS), int(MIDDLE[1]) - height // 2
    piece[top : top + height, right + 1 : right + 1 + width] = True
    line[top - 2 : top + height + 2, right - 1 : right + 3] = True
    return piece, line


def test_a_sliver_of_a_fruit_behind_is_taken_off_beyond_a_border():
    piece, line = sliver(12)
    found = group(maps_with(piece, 60, line))
    assert found.count == 1
    assert not found.bodies[piece].any()
    assert (found.bodies == 1).sum() == pytest.approx(np.pi * RADIUS**2, rel=0.02)


@pytest.mark.parametrize(("width", "bordered"), [(12, False), (40, True)])
def test_what_no_border_parts_or_is_large_stays(width, bordered):
    piece, line = sliver(width)
    found = group(maps_with(piece, 60, line & bordered))
    assert found.count == 1
    assert found.bodies[piece].mean() > 0.95
