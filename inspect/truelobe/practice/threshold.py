"""A student's own threshold: the amount at which the eye starts to call "over".

A psychometric curve with lapses, fitted by maximum likelihood: p(over) = lapse / 2 + (1 - lapse) F((x - t) / w).
Lapses (a slip of the thumb, a look elsewhere) must be in the model or they bend threshold and width
(F. A. Wichmann & N. J. Hill, Perception & Psychophysics 63 (2001) 1293-1313). The interval of the threshold
comes from the likelihood with the nuisance parameters integrated out (J. O. Berger, B. Liseo & R. L. Wolpert,
Stat. Science 14 (1999) 1-28): with 70 answers the profile's own held too few of the simulated thresholds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import expit, ndtr

from truelobe.practice.agreement import Estimate

Floats = NDArray[np.float64]
Curve = Literal["normal", "logistic"]

#: More lapses than this would be no attempt at the task; without a bound few answers could be explained by nothing
#: but lapses.
MOST_LAPSES = 0.1
NARROWEST, WIDEST = 0.5, 60.0
FEWEST = 16


@dataclass(frozen=True)
class Threshold:
    """A fitted psychometric curve.

    Attributes
    ----------
    at : Estimate
        Percent at which "over" and "under" are called equally often; its interval may end at 0 or 100.
    width : float
        Points from there to where the eye is 84 % sure (normal curve); for the logistic one, its scale.
    lapse : float
        Share of answers given without regard to the picture.
    count : int
    log_likelihood : float
    curve : {"normal", "logistic"}
    """

    at: Estimate
    width: float
    lapse: float
    count: int
    log_likelihood: float
    curve: Curve

    def over(self, percent: ArrayLike) -> Floats:
        """Return how often "over" is called at some amounts (any shape), percent."""
        return _over(np.asarray(percent, float), self.at.value, self.width, self.lapse, self.curve)


def _over(x: Floats, at: float, width: float, lapse: float, curve: Curve) -> Floats:
    z = (x - at) / width
    shape = ndtr(z) if curve == "normal" else expit(z)
    result: Floats = lapse / 2 + (1 - lapse) * shape
    return result


def fit_threshold(
    percent: ArrayLike, over: ArrayLike, *, curve: Curve = "normal", most_lapses: float = MOST_LAPSES
) -> Threshold | None:
    """Fit the curve to calls of "over".

    Parameters
    ----------
    percent : array_like (n,)
        True amounts.
    over : array_like (n,)
        1 over, 0 under; 0.5 for "too close to call", which counts half for each.
    curve : {"normal", "logistic"}
    most_lapses : float
        Bound of the lapse rate; 0 leaves lapses out.

    Returns
    -------
    Threshold or None
        None with fewer than `FEWEST` answers, or when only one of the two was ever called.
    """
    x, y = np.asarray(percent, float), np.asarray(over, float)
    if len(x) < FEWEST or y.sum() < 1 or (1 - y).sum() < 1:
        return None
    fit = _Fit(x, y, curve, most_lapses)
    best, at = min((fit.free(start, width) for start in fit.starts() for width in (3.0, 10.0)), key=lambda f: f[0])
    low, high = fit.interval()
    error = (high - low) / 3.92
    return Threshold(Estimate(float(at[0]), error, low, high), math.exp(at[1]), float(at[2]), len(x), -best, curve)


class _Fit:
    """The likelihood of one set of answers; places are (threshold, log width, lapse)."""

    def __init__(self, x: Floats, y: Floats, curve: Curve, most_lapses: float) -> None:
        self.x, self.y, self.curve = x, y, curve
        self.bounds = [(-50.0, 150.0), (math.log(NARROWEST), math.log(WIDEST)), (0.0, most_lapses)]

    def starts(self) -> tuple[float, ...]:
        calls = np.average(self.x, weights=self.y), np.average(self.x, weights=1 - self.y)
        return (float(sum(calls)) / 2, float(np.median(self.x)))

    def loss(self, place: Floats) -> tuple[float, Floats]:
        """Negative log likelihood and its gradient."""
        at, width, lapse = place[0], math.exp(place[1]), place[2]
        z = (self.x - at) / width
        if self.curve == "normal":
            shape, slope = ndtr(z), np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        else:
            shape = expit(z)
            slope = shape * (1 - shape)
        p = np.clip(lapse / 2 + (1 - lapse) * shape, 1e-12, 1 - 1e-12)
        pull = self.y / p - (1 - self.y) / (1 - p)
        by_z = pull * (1 - lapse) * slope
        gradient = -np.array([-by_z.sum() / width, -(by_z * z).sum(), (pull * (0.5 - shape)).sum()])
        return -float((self.y * np.log(p) + (1 - self.y) * np.log1p(-p)).sum()), gradient

    def free(self, at: float, width: float) -> tuple[float, Floats]:
        start = np.array([at, math.log(width), min(0.02, self.bounds[2][1])])
        found = minimize(self.loss, start, jac=True, method="L-BFGS-B", bounds=self.bounds)
        return float(found.fun), found.x

    def interval(self) -> tuple[float, float]:
        """The middle 95 % of the likelihood with width and lapse rate integrated out."""
        at = np.linspace(0, 100, 201)
        logs = np.full(len(at), -np.inf)
        for width in np.geomspace(1.0, 40.0, 16):
            z = (self.x[:, None] - at) / width
            shape = ndtr(z) if self.curve == "normal" else expit(z)
            for lapse in np.linspace(0, self.bounds[2][1], 4 if self.bounds[2][1] else 1):
                p = np.clip(lapse / 2 + (1 - lapse) * shape, 1e-9, 1 - 1e-9)
                logs = np.logaddexp(logs, self.y @ np.log(p) + (1 - self.y) @ np.log1p(-p))
        weight = np.exp(logs - logs.max())
        below = np.cumsum(weight) / weight.sum()
        step = at[1] - at[0]
        low, high = (float(np.interp(q, below, at + step / 2)) for q in (0.025, 0.975))
        return max(low, 0.0), min(high, 100.0)
