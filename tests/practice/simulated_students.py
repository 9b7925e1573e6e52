"""Invented students with known eyes, and what the tool makes of their answers."""

import numpy as np
from scipy.stats import norm

from truelobe.practice.agreement import fit_eye, information
from truelobe.practice.threshold import fit_threshold

ANSWERS = 70


def truths(rng, count=ANSWERS):
    """Amounts as a probe block spreads them: a quarter small, the rest up to 90 percent."""
    few = count // 4
    return np.concatenate([rng.uniform(0.5, 9.9, few), rng.uniform(10, 90, count - few)])


def percent_student(rng):
    """One student's estimates against the known eye: rows (estimate - known, bound, interval holds)."""
    bias, small, spread = rng.uniform(-6, 6), rng.uniform(0, 6), rng.uniform(4, 10)
    truth = truths(rng)
    middle = truth + bias + small * (truth < 10)
    answers = np.clip(np.rint(rng.normal(middle, spread)), 0, 100)
    fit = fit_eye(truth, answers)
    bound = np.sqrt(np.diag(np.linalg.inv(information(truth, (bias, small), spread))))
    bound[2] *= spread
    known = {"bias": bias, "small patches": small, "spread": spread}
    fitted = {"bias": fit.bias, "small patches": fit.small, "spread": fit.spread}
    return {
        name: (fitted[name].value - known[name], bound[k], fitted[name].low <= known[name] <= fitted[name].high)
        for k, name in enumerate(known)
    }


def threshold_bound(x, at, width, lapse):
    """The Cramer-Rao bound of the threshold, width and lapse rate unknown."""
    z = (x - at) / width
    p = lapse / 2 + (1 - lapse) * norm.cdf(z)
    slope = (1 - lapse) * norm.pdf(z) / width
    gradient = np.stack([-slope, -slope * z, 0.5 - norm.cdf(z)])
    return float(np.sqrt(np.linalg.inv((gradient / (p * (1 - p))) @ gradient.T)[0, 0]))


def threshold_student(rng):
    at, width, lapse = rng.uniform(11, 21), rng.uniform(3, 7), rng.triangular(0, 0, 0.1)
    x = np.concatenate([rng.uniform(1, 15, ANSWERS // 2), rng.uniform(15, 40, ANSWERS - ANSWERS // 2)])
    p = lapse / 2 + (1 - lapse) * norm.cdf((x - at) / width)
    over = rng.random(len(x)) < p
    fit = fit_threshold(x, over)
    return {
        "threshold": (fit.at.value - at, threshold_bound(x, at, width, lapse), fit.at.low <= at <= fit.at.high),
        "lapse rate": (100 * (fit.lapse.value - lapse), np.nan, fit.lapse.low <= lapse <= fit.lapse.high),
    }


def table(students):
    """By quantity: mean error, RMSE over the bound, share of intervals that hold."""
    rows = {}
    for name in students[0]:
        errors, bounds, holds = (np.array([s[name][k] for s in students], float) for k in range(3))
        rows[name] = (errors.mean(), np.sqrt((errors**2).mean() / (bounds**2).mean()), holds.mean())
    return rows
