"""Shape as evidence: the ratio of two lengths, what is suggested, and how it survives its document."""

from __future__ import annotations

import numpy as np
import pytest
from tests.grading.grading_plates import figure, pepper

from truelobe.figures import Contribution, from_normal
from truelobe.grading.shape import ShapeEvidence, ratio, shape_of, suggestions


def evidence(**figures):
    """Return shape figures, unsure by 0.01 each."""
    names = ("length_to_diameter", "asymmetry", "bend", "taper")
    return ShapeEvidence(*(from_normal(figures[n], 0.01) if n in figures else None for n in names))


def test_shared_errors_cancel_in_a_ratio():
    def length(value, own, shared):
        budget = (Contribution("edge", own, "pepper"), Contribution("focal length", shared, "photo"))
        return from_normal(value, float(np.hypot(own, shared)), budget)

    # Propagation for a ratio (JCGM 100, 5.1.2): relative variances of the two own parts add.
    made = ratio(length(96.0, 0.5, 4.0), length(80.0, 0.8, 3.3))
    expected = 1.2 * np.hypot(0.5 / 96, 0.8 / 80)
    assert made.standard_uncertainty == pytest.approx(expected, rel=0.05)


def test_a_document_without_shape_gives_no_figures():
    assert shape_of(pepper() | {"shape": None}) == ShapeEvidence(None, None, None, None)
    assert shape_of({"number": 1}) == ShapeEvidence(None, None, None, None)


def test_suggestions_speak_only_when_the_figure_is_clear_of_its_mark():
    assert suggestions(evidence(length_to_diameter=0.7)) == ("short for its width",)
    assert suggestions(evidence(length_to_diameter=0.795)) == ()
    assert suggestions(evidence(asymmetry=0.4, bend=0.3)) == ("one side fuller than the other", "bent")
    assert suggestions(evidence(asymmetry=0.02, bend=0.01, taper=1.0)) == ()


def test_shape_survives_its_document():
    made = ShapeEvidence(from_normal(1.1, 0.02), from_normal(0.1, 0.01), None, from_normal(0.9, 0.03))
    assert shape_of({"shape": made.document()}) == made
    assert made.length_to_diameter == from_normal(1.1, 0.02)
    assert figure(1.1, 0.02)["value"] == 1.1
