"""Shape figures against shapes whose figures are known in closed form, and through a fitted body."""

from __future__ import annotations

import numpy as np
import pytest
from tests.fruit.test_fruit_body import FLOOR, ellipsoid, over_the_table

from truelobe.fruit.form import measure_form, read_form
from truelobe.fruit.pose import find_stance

T = np.linspace(0, 2 * np.pi, 720, endpoint=False)


def ellipse(wide=80.0, high=100.0):
    """An outline with the stem end up."""
    return np.column_stack([wide * np.cos(T), high * np.sin(T)])


def test_an_even_straight_shape_reads_as_one():
    made = read_form(ellipse())
    assert made.asymmetry.value == pytest.approx(0.0, abs=0.01)
    assert made.bend.value == pytest.approx(0.0, abs=0.003)
    # Both quarters of an ellipse are equally wide.
    assert made.taper.value == pytest.approx(1.0, abs=0.02)


def test_a_bent_shape_reads_its_sagitta():
    # The middle line of an ellipse pushed aside by a parabola of sagitta s over the length l reads s / l.
    points, sagitta = ellipse(50.0, 100.0), 20.0
    points[:, 0] += sagitta * (points[:, 1] / 100.0) ** 2
    assert read_form(points).bend.value == pytest.approx(sagitta / 200.0, rel=0.05)


def test_a_cone_reads_its_taper():
    # A trapezium 100 wide at the stem end and 40 at the blossom end: 85 and 55 wide at the quarters.
    points = np.array([[-50, 100], [50, 100], [20, -100], [-20, -100]], dtype=float)
    assert read_form(points).taper.value == pytest.approx(55 / 85, rel=0.03)


def test_a_shoulder_on_one_side_reads_as_uneven():
    # A square with a block half as wide beside its upper half: mirrored about its best line, each half leaves
    # 2 |m - a| of its width uncovered; widths 150 and 100, middles 25 apart, best line 15 from the lower one.
    points = np.array([[-50, 100], [100, 100], [100, 0], [50, 0], [50, -100], [-50, -100]], dtype=float)
    assert read_form(points).asymmetry.value == pytest.approx((2 * 10 + 2 * 15) / 250, rel=0.06)


@pytest.mark.parametrize(("source", "how"), [("axis", {"u_turn": 0.08}), ("outline", {"u_side_mm": 1.5})])
def test_each_line_of_the_budget_is_what_its_disturbance_alone_does(source, how):
    # A bent ellipse, so that no figure sits at its least value, where a disturbance could only raise it.
    points = ellipse(60.0, 100.0)
    points[:, 0] += 16 * (points[:, 1] / 100.0) ** 2 + 0.1 * points[:, 1]
    made = read_form(points, **how)
    random = np.random.default_rng(3)
    reads = []
    for _ in range(150):
        if source == "axis":
            turn = random.normal(0, how["u_turn"])
            moved = points @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        else:  # each side errs by a slow curve along the fruit, its own variance everywhere
            along = (points[:, 1] + 100) / 200
            waves = np.cos(np.pi * np.arange(5)[:, None] * along) * np.sqrt(2 / 5)
            sides = random.normal(0, how["u_side_mm"], (2, 5)) @ waves
            moved = points + np.column_stack([np.where(np.cos(T) > 0, sides[0], sides[1]), 0 * T])
        form = read_form(moved)
        reads.append([form.asymmetry.value, form.bend.value, form.taper.value])
    spread = np.std(reads, axis=0, ddof=1)
    for figure, true in zip((made.asymmetry, made.bend, made.taper), spread, strict=True):
        line = next(x for x in figure.budget if x.source == source)
        # 150 draws give a standard deviation to 6 %, the 256 behind the line to 4.5 %; three of both together. A
        # figure that answers to second order only (a thousandth) may differ by as much.
        assert line.effect == pytest.approx(true, rel=0.25, abs=0.002)


@pytest.mark.parametrize("tilt", [0.0, 20.0])
def test_an_even_body_under_any_camera_reads_as_even(tilt):
    # Perspective and a tilted view must not look like unevenness: an ellipsoid off the picture's middle.
    view = over_the_table(tilt)
    silhouette, cue = ellipsoid(75.0, 100.0, 40.0, view)
    form = measure_form(find_stance(silhouette, view, FLOOR, cue, given=True))
    assert form.asymmetry.value < 0.03
    assert form.bend.value < 0.02
    low, high = form.taper.interval95
    assert low < 1.0 < high
