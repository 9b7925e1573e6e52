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
_LAPSES = 5


@dataclass(frozen=True)
class Threshold:
    """A fitted psychometric curve.

    Attributes
    ----------
    at : Estimate
        Percent at which "over" and "under" are called equally often; its interval may end at 0 or 100.
    width : float
        Points from there to where the eye is 84 % sure (normal curve); for the logistic one, its scale.
    lapse : Estimate
        Share of answers given without regard to the picture: mean and middle 95 % once the others are integrated
        out and few lapses are held likelier than many. 70 answers bound it, they don't fix it.
    count : int
    log_likelihood : float
    curve : {"normal", "logistic"}
    lapse_fitted : float
        The lapse rate of the most likely curve, as drawn.
    """

    at: Estimate
    width: float
    lapse: Estimate
    count: int
    log_likelihood: float
    curve: Curve
    lapse_fitted: float

    def over(self, percent: ArrayLike) -> Floats:
        """Return how often "over" is called at some amounts (any shape), percent."""
        return _over(np.asarray(percent, float), self.at.value, self.width, self.lapse_fitted, self.curve)


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
    threshold, lapse = fit.integrated()
    low, high = max(threshold.low, 0.0), min(threshold.high, 100.0)
    around = Estimate(float(at[0]), threshold.standard_error, low, high)
    return Threshold(around, math.exp(at[1]), lapse, len(x), -best, curve, float(at[2]))


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

    def integrated(self) -> tuple[Estimate, Estimate]:
        """Threshold and lapse rate, each from the likelihood with the two others integrated out.

        Lapse rates are weighed down linearly to nothing at their bound: attentive students lapse seldom.
        """
        at, most = np.linspace(0, 100, 201), self.bounds[2][1]
        lapses = (np.arange(_LAPSES) + 0.5) * most / _LAPSES if most else np.zeros(1)
        logs = np.full((len(lapses), len(at)), -np.inf)
        for width in np.geomspace(1.0, 40.0, 16):
            z = (self.x[:, None] - at) / width
            shape = ndtr(z) if self.curve == "normal" else expit(z)
            for k, lapse in enumerate(lapses):
                p = np.clip(lapse / 2 + (1 - lapse) * shape, 1e-9, 1 - 1e-9)
                logs[k] = np.logaddexp(logs[k], self.y @ np.log(p) + (1 - self.y) @ np.log1p(-p))
        weight = np.exp(logs - logs.max())
        weight *= (1 - lapses / most if most else np.ones(1))[:, None]
        return _spread_over(at, weight.sum(axis=0)), _spread_over(lapses, weight.sum(axis=1))


def _spread_over(places: Floats, weight: Floats) -> Estimate:
    """Mean, standard deviation and middle 95 % of a weight over evenly spaced places, each a cell wide."""
    if len(places) == 1:
        return Estimate(float(places[0]), 0.0, float(places[0]), float(places[0]))
    share, step = weight / weight.sum(), places[1] - places[0]
    mean = float(share @ places)
    edges = np.concatenate([[places[0] - step / 2], places + step / 2])
    low, high = (float(np.interp(q, np.concatenate([[0.0], np.cumsum(share)]), edges)) for q in (0.025, 0.975))
    return Estimate(mean, math.sqrt(float(share @ (places - mean) ** 2)), low, high)
