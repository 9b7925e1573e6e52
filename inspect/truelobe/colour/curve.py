"""The camera's curve and the light across the card, from the grey ladders.

A phone bends the light it measured before it writes bytes. The grey ladders show how: the curve that turns bytes
back into light is the sRGB curve behind a gentle bend with three numbers (glare, bend, swing), nearly the same in
the three channels. The same ladder on two sides of the card shows light that falls off across it, and light whose
color changes across it.

Everything is one least-squares fit with stated prior widths (a maximum a posteriori estimate), so a few greys, or
noisy ones, give a nearly straight curve instead of a wild one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from truelobe.colour.patches import Patches
from truelobe.colour.spaces import decode, encode, lab_to_linear

Float64 = NDArray[np.float64]

# Prior widths (one standard deviation). Glare: veiling light and raised blacks. Bend: a change of gamma; 0.3 spans
# 1.8 to 2.6. Swing: an S-shaped contrast curve. The second row is how far one channel may differ from the rest.
_SHAPE_WIDTH: Final = np.array([0.01, 0.30, 0.50])
_CHANNEL_WIDTH: Final = np.array([0.003, 0.05, 0.08])
_GRADIENT_WIDTH: Final = 0.5
_TINT_WIDTH: Final = 0.06
_STEEPEST: Final = 0.95
_LIGHTNESS_STEP: Final = 0.01
"""One unit of L* is close to 0.01 on the sRGB curve over the range of a printed ladder."""


@dataclass(frozen=True)
class GreyFit:
    """Curve and light as the greys show them.

    Attributes
    ----------
    shape : float64 (3 channels, 3)
        Glare (light), bend, swing.
    exposure : float64 (3,)
        Log of the light at the card's centre, per channel: white paper of reflectance 1 would read exp(exposure).
    gradient : float64 (2,)
        Log change of the light per half card length, right and down.
    tint : float64 (2, 2)
        The same for red against green and blue against green.
    shape_sd : float64 (3,)
        Standard uncertainty of the common shape.
    tint_sd : float
        Standard uncertainty of one entry of `tint`.
    """

    shape: Float64
    exposure: Float64
    gradient: Float64
    tint: Float64
    shape_sd: Float64
    tint_sd: float

    def illumination(self, place: Float64) -> Float64:
        """Return the light (N, 3) at places (N, 2) on the card."""
        return _illumination(self.exposure, self.gradient, self.tint, place)

    def table(self, shape_shift: Float64 | None = None) -> Float64:
        """Return linear light (256, 3) for each byte, relative to white paper at the card's centre."""
        shape = self.shape if shape_shift is None else self.shape + shape_shift
        values = np.repeat(np.arange(256)[:, None] / 255, 3, axis=1)
        return unbend(values, shape) / np.exp(self.exposure)

    @property
    def unevenness(self) -> float:
        """How many times brighter the card's bright end is than its dark end."""
        return float(np.exp(2 * np.hypot(*self.gradient)))

    @property
    def tint_change(self) -> float:
        """The largest change of red against green or blue against green from one end of the card to the other."""
        return float(2 * np.hypot(self.tint[0], self.tint[1]).max())


def unbend(encoded: Float64, shape: Float64) -> Float64:
    """Return linear light for sRGB-curve values (..., 3) through the curve of `shape` (3, 3)."""
    glare, bend, swing = shape[:, 0], shape[:, 1], shape[:, 2]
    s = encoded
    return decode(s + bend * s * (1 - s) + swing * s * (1 - s) * (1 - 2 * s)) - glare


def tame(shape: Float64) -> Float64:
    """Hold a shape (3, 3) to curves that never fall."""
    out = shape.copy()
    steep = np.abs(out[:, 1]) + np.maximum(out[:, 2] / 2, -out[:, 2])
    out[:, 1:] *= np.minimum(1, _STEEPEST / np.maximum(steep, 1e-9))[:, None]
    return out


def fit_greys(patches: Patches, from_srgb: Float64) -> GreyFit:
    """Fit curve and light to the grey patches.

    Parameters
    ----------
    patches : Patches
        Grey ones are used, the others ignored. With none at all the prior comes back.
    from_srgb : float64 (3, 3)
        Linear sRGB to the photo's own primaries.
    """
    greys = patches.only(patches.grey)
    if len(greys) == 0:
        return flat_light(patches, from_srgb)
    printed = np.maximum(lab_to_linear(greys.lab) @ from_srgb.T, 1e-4)
    problem = _Problem(encode(greys.signal), encode(printed), greys)
    start = np.zeros(21)
    start[12:15] = np.median(np.log(greys.signal) - np.log(printed), axis=0)
    fit = least_squares(problem.residuals, start, method="trf", loss="soft_l1", f_scale=2.0, max_nfev=60)
    slope = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.linalg.pinv(slope.T @ slope)
    common, channel, exposure, gradient, tint = _unpack(fit.x)
    sd = np.sqrt(np.diag(covariance))
    return GreyFit(tame(common + channel), exposure, gradient, tint, sd[:3], float(sd[17:].mean()))


def flat_light(patches: Patches, from_srgb: Float64) -> GreyFit:
    """Return the straight curve under even light; the exposure is the patches' median."""
    exposure = np.zeros(3)
    if len(patches):
        printed = np.maximum(lab_to_linear(patches.lab) @ from_srgb.T, 1e-3)
        exposure = np.median(np.log(patches.signal) - np.log(printed), axis=0)
    return GreyFit(np.zeros((3, 3)), exposure, np.zeros(2), np.zeros((2, 2)), _SHAPE_WIDTH, _TINT_WIDTH)


@dataclass(frozen=True)
class _Problem:
    """Residuals of the grey fit, whitened: an error of the print is mostly the same in the three channels."""

    read: Float64
    printed: Float64
    greys: Patches

    def residuals(self, parameters: Float64) -> Float64:
        common, channel, exposure, gradient, tint = _unpack(parameters)
        light = _illumination(exposure, gradient, tint, self.greys.place)
        misfit = encode(unbend(self.read, common + channel) / light) - self.printed
        u_whole, u_apart = self._uncertainty
        whole = misfit.mean(axis=1) / u_whole
        apart = (misfit[:, [0, 2]] - misfit[:, [1]]) / u_apart[:, None]
        prior = [
            common / _SHAPE_WIDTH,
            (channel / _CHANNEL_WIDTH).ravel(),
            gradient / _GRADIENT_WIDTH,
            tint.ravel() / _TINT_WIDTH,
        ]
        return np.concatenate([whole, apart.ravel(), *prior])

    @cached_property
    def _uncertainty(self) -> tuple[Float64, Float64]:
        """Of a grey's mean over the channels, and of red and blue against green."""
        noise = self.greys.sd_mean / np.maximum(self.greys.signal, 1e-4) * self.read / 2.4
        grey_u = _LIGHTNESS_STEP * self.greys.u_de00
        noise = (noise**2).mean(axis=1)
        return np.sqrt((0.7 * grey_u) ** 2 + noise), np.sqrt((0.6 * grey_u) ** 2 + noise)


def _unpack(parameters: Float64) -> tuple[Float64, Float64, Float64, Float64, Float64]:
    """Split into common shape (3,), channel shape (3, 3), exposure (3,), gradient (2,), tint (2, 2)."""
    p = parameters
    return p[:3], p[3:12].reshape(3, 3), p[12:15], p[15:17], p[17:21].reshape(2, 2)


def _illumination(exposure: Float64, gradient: Float64, tint: Float64, place: Float64) -> Float64:
    shared = place @ gradient
    change = place @ tint.T
    log_light = exposure + np.column_stack([shared + change[:, 0], shared, shared + change[:, 1]])
    return np.asarray(np.exp(log_light), dtype=np.float64)
