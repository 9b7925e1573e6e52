"""Shape figures against shapes whose figures are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from tests.grading.grading_plates import figure, pepper

from truelobe.figures import Contribution, from_normal
from truelobe.grading.shape import ShapeEvidence, ratio, shape_evidence, suggestions

T = np.linspace(0, 2 * np.pi, 720, endpoint=False)


def drawn(points, **more):
    """Return a pepper whose outline lies along y, stem end up."""
    return pepper(
        axis_px={"stem_end": [0.0, -100.0], "blossom_end": [0.0, 100.0], "standard_uncertainty_deg": 2.0}, **more
    ) | {"outline_px": [np.asarray(points).tolist()]}


def ellipse(wide=80.0, high=100.0):
    return np.column_stack([wide * np.cos(T), high * np.sin(T)])


def test_an_even_straight_shape_reads_as_one():
    made = shape_evidence(drawn(ellipse()))
    assert made.asymmetry.value == pytest.approx(0.0, abs=0.01)
    assert made.bend.value == pytest.approx(0.0, abs=0.003)
    # Both quarters of an ellipse are equally wide.
    assert made.taper.value == pytest.approx(1.0, abs=0.02)
    assert made.length_to_diameter.value == pytest.approx(95 / 80)
    assert suggestions(made) == ()


def test_a_bent_shape_reads_its_sagitta():
    # The middle line of an ellipse pushed aside by a parabola of sagitta s over the length l reads s / l.
    points = ellipse(50.0, 100.0)
    sagitta = 20.0
    points[:, 0] += sagitta * (points[:, 1] / 100.0) ** 2
    made = shape_evidence(drawn(points))
    assert made.bend.value == pytest.approx(sagitta / 200.0, rel=0.05)
    assert "bent" in suggestions(made)


def test_a_cone_reads_its_taper():
    # A trapezium 100 wide at the stem end and 40 at the blossom end: 85 and 55 wide at the quarters.
    points = np.array([[-50, -100], [50, -100], [20, 100], [-20, 100]], dtype=float)
    made = shape_evidence(drawn(points))
    assert made.taper.value == pytest.approx(55 / 85, rel=0.03)


def test_a_shoulder_on_one_side_reads_as_uneven():
    # A square with a block half as wide beside its upper half: mirrored about its best line, each half leaves
    # 2 |m - a| of its width uncovered; widths 150 and 100, middles 25 apart, best line 15 from the lower one.
    points = np.array([[-50, -100], [100, -100], [100, 0], [50, 0], [50, 100], [-50, 100]], dtype=float)
    made = shape_evidence(drawn(points))
    assert made.asymmetry.value == pytest.approx((2 * 10 + 2 * 15) / 250, rel=0.06)
    assert "one side fuller than the other" in suggestions(made)


def test_the_unsure_axis_widens_the_figures():
    points = ellipse(90.0, 100.0)
    sure, unsure = drawn(points), drawn(points)
    unsure["axis_px"] = {**unsure["axis_px"], "standard_uncertainty_deg": 12.0}
    narrow, wide = shape_evidence(sure).asymmetry, shape_evidence(unsure).asymmetry
    assert wide.standard_uncertainty > narrow.standard_uncertainty


def test_the_figures_do_not_depend_on_how_the_pepper_lies():
    angle = 0.7
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    points = ellipse(60.0, 100.0)
    points[:, 0] += 12 * (points[:, 1] / 100.0) ** 2
    turned = drawn(points @ turn.T + [400, 300])
    ends = np.array([[0.0, -100.0], [0.0, 100.0]]) @ turn.T + [400, 300]
    turned["axis_px"] = {"stem_end": list(ends[0]), "blossom_end": list(ends[1]), "standard_uncertainty_deg": 2.0}
    straight, other = shape_evidence(drawn(points)), shape_evidence(turned)
    for name in ("asymmetry", "bend", "taper"):
        assert getattr(other, name).value == pytest.approx(getattr(straight, name).value, abs=0.01)


def test_shared_errors_cancel_in_a_ratio():
    def length(value, own, shared):
        budget = (Contribution("edge", own, "pepper"), Contribution("focal length", shared, "photo"))
        return from_normal(value, float(np.hypot(own, shared)), budget)

    # Propagation for a ratio (JCGM 100, 5.1.2): relative variances of the two own parts add.
    made = ratio(length(96.0, 0.5, 4.0), length(80.0, 0.8, 3.3))
    expected = 1.2 * np.hypot(0.5 / 96, 0.8 / 80)
    assert made.standard_uncertainty == pytest.approx(expected, rel=0.05)


def test_a_standing_pepper_shows_no_shape_along_its_axis():
    made = shape_evidence(pepper() | {"pose": "standing", "length_mm": None})
    assert made == ShapeEvidence(None, None, None, None)


def test_suggestions_speak_only_when_the_figure_is_clear_of_its_mark():
    wide = pepper() | {"diameter_mm": figure(100, 1.0), "length_mm": figure(70, 1.0), "axis_px": None}
    assert suggestions(shape_evidence(wide)) == ("short for its width",)
    close = pepper() | {"diameter_mm": figure(100, 3.0), "length_mm": figure(79.5, 3.0), "axis_px": None}
    assert suggestions(shape_evidence(close)) == ()


def test_shape_survives_its_document():
    made = shape_evidence(drawn(ellipse()))
    assert ShapeEvidence.from_document(made.document()) == made
