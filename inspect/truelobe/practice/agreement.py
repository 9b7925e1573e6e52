"""How answers in percent sit against the truth: bias, spread, small patches apart, and agreement.

Bias and spread are fitted by maximum likelihood, because an answer is a whole percent and can't leave 0 to 100:
plain means call an eye better than it is wherever the truth lies near an end. Agreement figures are the published
ones: J. M. Bland & D. G. Altman, Lancet 1986; i: 307-310 and Stat. Methods Med. Res. 8 (1999) 135-160;
L. I-K. Lin, Biometrics 45 (1989) 255-268.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import ndtr
from scipy.stats import chi2, norm, t

Floats = NDArray[np.float64]

#: Patches under this many percent count as small: those that raters overestimate most
#: (C. H. Bock et al., Plant Disease 92 (2008) 927-939; the limit itself is ours).
SMALL_BELOW = 10.0
#: Fewer answers than this say nothing that would hold.
FEWEST = 8
FEWEST_SMALL = 5
_SMALLEST_SPREAD = 0.2


@dataclass(frozen=True)
class Estimate:
    """A fitted number with its standard error and its 95 % interval, all in one unit."""

    value: float
    standard_error: float
    low: float
    high: float

    @property
    def certain(self) -> bool:
        """Whether the interval leaves zero out."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class EyeFit:
    """What answers in percent say about an eye. All in percentage points.

    Attributes
    ----------
    bias : Estimate
        How much too high the answers are, small patches apart.
    small : Estimate or None
        How much more than that small patches are overestimated; None with too few of them.
    spread : Estimate
        Standard deviation of the answers about truth plus bias.
    count : int
    """

    bias: Estimate
    small: Estimate | None
    spread: Estimate
    count: int


def _design(truth: Floats, with_small: bool) -> Floats:
    columns = [np.ones_like(truth)] + ([(truth < SMALL_BELOW).astype(float)] if with_small else [])
    return np.stack(columns, axis=1)


def _edges(answers: Floats) -> tuple[Floats, Floats]:
    """The unrounded answers that would have been typed like this; the ends take everything beyond them."""
    low = np.where(answers <= 0, -np.inf, answers - 0.5)
    high = np.where(answers >= 100, np.inf, answers + 0.5)
    return low, high


def _score(middle: Floats, spread: float, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats]:
    """Probability of an interval, and the derivatives of its logarithm by the middle and by log spread."""
    a, b = (low - middle) / spread, (high - middle) / spread
    probability = np.maximum(np.where(a > 0, ndtr(-a) - ndtr(-b), ndtr(b) - ndtr(a)), 1e-300)
    at_a, at_b = norm.pdf(a), norm.pdf(b)
    a_times = np.where(np.isfinite(a), a, 0) * at_a
    b_times = np.where(np.isfinite(b), b, 0) * at_b
    return probability, -(at_b - at_a) / spread / probability, -(b_times - a_times) / probability


def information(truth: ArrayLike, effects: ArrayLike, spread: float, *, with_small: bool = True) -> Floats:
    """Return the Fisher information of bias, small-patch excess (if asked for) and log spread.

    Its inverse bounds the variance of any unbiased estimate from these pictures (Cramer and Rao).

    Parameters
    ----------
    truth : array_like (n,), percent
    effects : array_like (1,) or (2,), points
    spread : float, points
    """
    truth = np.asarray(truth, float)
    design = _design(truth, with_small)
    middle = truth + design @ np.asarray(effects, float)
    low, high = _edges(np.arange(101.0))
    probability, by_middle, by_spread = _score(middle[:, None], spread, low[None], high[None])
    size = design.shape[1]
    total = np.zeros((size + 1, size + 1))
    twice = (probability * by_middle**2).sum(axis=1)
    cross = (probability * by_middle * by_spread).sum(axis=1)
    total[:size, :size] = (design * twice[:, None]).T @ design
    total[:size, size] = total[size, :size] = design.T @ cross
    total[size, size] = (probability * by_spread**2).sum()
    return total


def fit_eye(truth: ArrayLike, answers: ArrayLike) -> EyeFit | None:
    """Fit bias, small-patch excess and spread to answers in whole percent.

    Parameters
    ----------
    truth, answers : array_like (n,), percent

    Returns
    -------
    EyeFit or None
        None with fewer than `FEWEST` answers.
    """
    truth = np.asarray(truth, float)
    given: Floats = np.rint(np.asarray(answers, float))
    few = (truth < SMALL_BELOW).sum()
    with_small = bool(few >= FEWEST_SMALL and len(truth) - few >= FEWEST_SMALL)
    if len(truth) < FEWEST:
        return None
    design = _design(truth, with_small)
    low, high = _edges(given)

    def loss(at: Floats) -> tuple[float, Floats]:
        spread = math.exp(at[-1])
        probability, by_middle, by_spread = _score(truth + design @ at[:-1], spread, low, high)
        return -float(np.log(probability).sum()), -np.append(design.T @ by_middle, by_spread.sum())

    start = np.linalg.lstsq(design, given - truth, rcond=None)[0]
    rest = max(float(np.std(given - truth - design @ start)), 1.0)
    bounds = [(-100, 100)] * design.shape[1] + [(math.log(_SMALLEST_SPREAD), math.log(100))]
    found = minimize(loss, np.append(start, math.log(rest)), jac=True, method="L-BFGS-B", bounds=bounds).x
    return _with_intervals(truth, found, design.shape[1], with_small)


def _with_intervals(truth: Floats, found: Floats, size: int, with_small: bool) -> EyeFit:
    count = len(truth)
    left = max(count - size, 1)
    spread = math.exp(found[-1]) * math.sqrt(count / left)
    covariance = np.linalg.pinv(information(truth, found[:-1], spread, with_small=with_small))
    errors = np.sqrt(np.diag(covariance))
    reach = float(t.ppf(0.975, left))
    effects = [Estimate(v, e, v - reach * e, v + reach * e) for v, e in zip(found[:-1], errors, strict=False)]
    degrees = max(1 / (2 * errors[-1] ** 2) * left / count, 1.0)
    around = Estimate(
        spread,
        spread * float(errors[-1]),
        spread * math.sqrt(degrees / float(chi2.ppf(0.975, degrees))),
        spread * math.sqrt(degrees / float(chi2.ppf(0.025, degrees))),
    )
    return EyeFit(effects[0], effects[1] if with_small else None, around, count)


@dataclass(frozen=True)
class BlandAltman:
    """Differences between two ways of measuring, as Bland & Altman (1986) lay them out.

    Attributes
    ----------
    bias, spread : float
        Mean and standard deviation of the differences.
    bias_interval : (float, float)
        95 %, Student's t.
    limits : (float, float)
        Between which 95 of 100 differences lie: bias -/+ 1.96 spread.
    limit_error : float
        Standard error of either limit, sqrt(3 / n) spread.
    """

    bias: float
    spread: float
    bias_interval: tuple[float, float]
    limits: tuple[float, float]
    limit_error: float
    count: int


def bland_altman(first: ArrayLike, second: ArrayLike) -> BlandAltman:
    """Compare `first` with `second` (n,), at least two of each; differences are first minus second."""
    differences = np.asarray(first, float) - np.asarray(second, float)
    count = len(differences)
    if count < 2:
        raise ValueError("limits of agreement need two differences at least")
    bias, spread = float(differences.mean()), float(differences.std(ddof=1))
    reach = float(t.ppf(0.975, count - 1)) * spread / math.sqrt(count)
    return BlandAltman(
        bias,
        spread,
        (bias - reach, bias + reach),
        (bias - 1.96 * spread, bias + 1.96 * spread),
        math.sqrt(3 / count) * spread,
        count,
    )


@dataclass(frozen=True)
class Concordance:
    """Lin's concordance and its two parts: value = precision x accuracy.

    Attributes
    ----------
    value : float
        2 s_xy / (s_x^2 + s_y^2 + (mean difference)^2), with 1/n.
    precision : float
        Pearson's r: do the answers follow the truth.
    accuracy : float
        Cb: do they lie on the line of equality.
    scale_shift, location_shift : float
        s_x / s_y and (mean x - mean y) / sqrt(s_x s_y).
    """

    value: float
    precision: float
    accuracy: float
    scale_shift: float
    location_shift: float


def concordance(first: ArrayLike, second: ArrayLike) -> Concordance | None:
    """Return Lin's concordance of two readings (n,); None where one of them never changes."""
    x, y = np.asarray(first, float), np.asarray(second, float)
    if len(x) < 3 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    sx, sy = float(x.std()), float(y.std())
    together = float(((x - x.mean()) * (y - y.mean())).mean())
    apart = float(x.mean() - y.mean())
    value = 2 * together / (sx**2 + sy**2 + apart**2)
    scale, location = sx / sy, apart / math.sqrt(sx * sy)
    accuracy = 2 / (scale + 1 / scale + location**2)
    return Concordance(value, together / (sx * sy), accuracy, scale, location)


def mean_error(truth: ArrayLike, answers: ArrayLike) -> float:
    """Return the mean absolute difference, in the unit of both."""
    return float(np.abs(np.asarray(answers, float) - np.asarray(truth, float)).mean())
