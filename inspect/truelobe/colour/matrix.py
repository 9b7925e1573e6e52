"""The 3x3 or 3x4 matrix from camera color to linear sRGB, fitted to the card's patches.

Richer polynomials overfit a dozen patches, so the choice is between a matrix and a matrix with an offset
(veiling glare), made by leave-one-patch-out error. The fit minimises an approximation of CIEDE2000 (the derivative
of CIELAB at each patch, chroma and hue scaled as the formula scales them), gives each patch its print uncertainty,
and lets go of patches that disagree with all others (Student's t weights).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from truelobe.colour.spaces import delta_e_2000, lab_to_linear, linear_to_lab

Float64 = NDArray[np.float64]
Form = Literal["3x3", "3x4"]

# Prior widths: how far a white-balanced phone's matrix strays from the identity. Which of the two widths of
# crosstalk holds is told by the patches: a faithful phone, or one that makes color stronger than life.
_DIAGONAL_WIDTH: Final = 0.25
_CROSSTALK_WIDTHS: Final = (0.04, 0.12)
_OFFSET_WIDTH: Final = 0.01
_NO_OFFSET: Final = 1e-7
_FREEDOM: Final = 4.0
_EARNS_ITS_PLACE: Final = 0.95


@dataclass(frozen=True)
class MatrixProblem:
    """A weighted linear fit, kept so that it can be solved again with other targets.

    Attributes
    ----------
    source : float64 (N, 3)
        Camera color: linear, white-balanced, in sRGB primaries.
    lab : float64 (N, 3)
        Nominal CIELAB of the patches.
    scale : float64 (N, 3, 3)
        Linear sRGB difference to a CIEDE2000-like difference in units of the patch's uncertainty.
    weight : float64 (N,)
        Robust weight, 1 where the patch agrees with the rest.
    form : {"3x3", "3x4"}
    crosstalk : float
        Prior width of the matrix's entries off its diagonal.
    agreement : float
        Typical misfit in units of the stated print uncertainty; about 1 when the print is as good as stated.
    """

    source: Float64
    lab: Float64
    scale: Float64
    weight: Float64
    form: Form
    crosstalk: float
    agreement: float = 1.0

    def solve(
        self, source: Float64 | None = None, target: Float64 | None = None, weight: Float64 | None = None
    ) -> Float64:
        """Return affine matrices (B, 3, 4) for a batch of sources (B, N, 3), targets (B, N, 3), weights (B, N)."""
        source = self.source[None] if source is None else source
        target = lab_to_linear(self.lab)[None] if target is None else target
        weight = self.weight[None] if weight is None else weight
        batch = max(len(source), len(target), len(weight))
        features = np.concatenate([source, np.ones((*source.shape[:2], 1))], axis=-1)
        metric = np.einsum("nji,njk->nik", self.scale, self.scale)
        outer = np.einsum("bn,bni,bnj->bnij", weight * np.ones((len(features), 1)), features, features)
        normal = np.einsum("nik,bnjl->bijkl", metric, outer).reshape(-1, 12, 12)
        gap = target - source
        pulled = np.einsum("nik,bnk->bni", metric, gap * weight[..., None])
        right = np.einsum("bni,bnj->bij", pulled, np.broadcast_to(features, (len(pulled), *features.shape[1:])))
        prior = np.diag(self._prior_precision())
        change = np.linalg.solve(np.broadcast_to(normal + prior, (batch, 12, 12)), right.reshape(-1, 12, 1))
        return np.asarray(change.reshape(batch, 3, 4) + np.eye(3, 4), dtype=np.float64)

    def _prior_precision(self) -> Float64:
        offset = _OFFSET_WIDTH if self.form == "3x4" else _NO_OFFSET
        width = np.full((3, 4), self.crosstalk)
        width[np.arange(3), np.arange(3)] = _DIAGONAL_WIDTH
        width[:, 3] = offset
        return np.asarray(width.ravel() ** -2.0, dtype=np.float64)


def apply(matrix: Float64, source: Float64) -> Float64:
    """Apply affine matrices (..., 3, 4) to colors (..., N, 3)."""
    turned = source @ np.swapaxes(matrix[..., :3], -1, -2)
    return np.asarray(turned + matrix[..., None, :, 3], dtype=np.float64)


def fit_matrix(
    source: Float64, lab: Float64, u_de00: Float64, group: NDArray[np.int64]
) -> tuple[MatrixProblem, float]:
    """Fit the forms, simplest first, and keep the one that predicts left-out patches best.

    Parameters
    ----------
    source : float64 (N, 3)
    lab : float64 (N, 3)
    u_de00 : float64 (N,)
    group : int (N,)
        Twins, left out together.

    Returns
    -------
    problem : MatrixProblem
    leave_one_out : float
        Weighted mean CIEDE2000 of patches predicted from the others. A richer form must earn its place: it is
        taken only when it lowers this by a twentieth.
    """
    forms: tuple[Form, ...] = ("3x3", "3x4")
    best: tuple[MatrixProblem, float] | None = None
    for form in forms:
        for crosstalk in _CROSSTALK_WIDTHS:
            tried = _fit_form(source, lab, u_de00, group, form, crosstalk)
            if best is None or tried[1] < _EARNS_ITS_PLACE * best[1]:
                best = tried
    assert best is not None
    return best


def _fit_form(
    source: Float64, lab: Float64, u_de00: Float64, group: NDArray[np.int64], form: Form, crosstalk: float
) -> tuple[MatrixProblem, float]:
    scale = _metric_root(lab) * np.sqrt(3) / u_de00[:, None, None]  # a third of the variance to each axis
    target = lab_to_linear(lab)
    weight, spread = np.ones(len(lab)), 1.0
    for _ in range(6):
        problem = MatrixProblem(source, lab, scale, weight, form, crosstalk)
        misfit = np.einsum("nij,nj->ni", scale, apply(problem.solve()[0], source) - target)
        square = (misfit**2).sum(axis=1)
        spread = max(float(np.median(square)) / 2.4, 0.05)  # 2.4 is the median of chi-square with three freedoms
        weight = (_FREEDOM + 3) / (_FREEDOM + square / spread)
        weight = np.minimum(weight, 1.0)
    fitted = 4 if form == "3x4" else 3
    free = max(len(np.unique(group)) - fitted, 1) / len(np.unique(group))
    problem = MatrixProblem(source, lab, scale, weight, form, crosstalk, float(np.sqrt(spread / free)))
    return problem, float(np.average(_left_out_errors(problem, group), weights=weight))


def _left_out_errors(problem: MatrixProblem, group: NDArray[np.int64]) -> Float64:
    """CIEDE2000 of each patch predicted by a fit that never saw it nor its twin."""
    labels, index = np.unique(group, return_inverse=True)
    weight = np.repeat(problem.weight[None], len(labels), axis=0)
    weight[index, np.arange(len(index))] = 0
    predicted = linear_to_lab(apply(problem.solve(weight=weight), problem.source[None]))
    return delta_e_2000(predicted[index, np.arange(len(index))], problem.lab)


def _metric_root(lab: Float64) -> Float64:
    """Return (N, 3, 3): linear sRGB difference -> lightness, chroma, hue difference as CIEDE2000 scales them."""
    linear = lab_to_linear(lab)
    step = 1e-4
    moved = linear[:, None, :] + step * np.eye(3)
    slope = np.swapaxes(linear_to_lab(moved).astype(np.float64) - linear_to_lab(linear)[:, None], 1, 2) / step
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    hue = np.where(chroma > 1e-6, np.arctan2(lab[:, 2], lab[:, 1]), 0.0)
    turn = np.zeros((len(lab), 3, 3))
    turn[:, 0, 0] = 1 / (1 + 0.015 * (lab[:, 0] - 50) ** 2 / np.sqrt(20 + (lab[:, 0] - 50) ** 2))
    s_c, s_h = 1 + 0.045 * chroma, 1 + 0.015 * chroma
    turn[:, 1, 1], turn[:, 1, 2] = np.cos(hue) / s_c, np.sin(hue) / s_c
    turn[:, 2, 1], turn[:, 2, 2] = -np.sin(hue) / s_h, np.cos(hue) / s_h
    return np.asarray(turn @ slope, dtype=np.float64)
