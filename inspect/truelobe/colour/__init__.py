"""Corrected color, references of ripeness, and how much of the skin is fully colored."""

from truelobe.colour.company import settled
from truelobe.colour.correction import ColourCorrection, CorrectionDraws, correct_from_card
from truelobe.colour.coverage import Coverage, measure_coverage
from truelobe.colour.references import (
    ColourReference,
    Reference,
    References,
    load_references,
    reference_from_skin,
    references_from_document,
)
from truelobe.colour.spaces import delta_e_2000, lab_to_linear, linear_to_lab

__all__ = [
    "ColourCorrection",
    "ColourReference",
    "CorrectionDraws",
    "Coverage",
    "Reference",
    "References",
    "correct_from_card",
    "delta_e_2000",
    "lab_to_linear",
    "linear_to_lab",
    "load_references",
    "measure_coverage",
    "reference_from_skin",
    "references_from_document",
    "settled",
]
