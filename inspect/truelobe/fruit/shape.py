"""The form that stands for a pepper's body: a blunt, tapered, slightly bent barrel of elliptic section.

Its skin is a superellipse swept round an axis (two bluntness exponents, one for each end), so it ranges from an
ellipsoid to a cylinder; that is what decides how much of an end a tilted view shows. It is convex: the support
function of a lobed fruit, and with it every greatest extent, is that of its convex hull.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Order of the form's parameters in a vector.
NAMES = (
    "across",  # place of the centre in the picture, in units of the starting width, along the axis' right
    "along",  # the same along the axis
    "turn",  # axis turned in the table's plane, radians
    "lift",  # axis lifted off its starting direction, radians
    "width",  # ln of the width seen, mm
    "slender",  # ln of length over width
    "flat",  # ln of depth over width: the section's half axis towards the camera
    "taper",  # relative loss of radius from the middle to the blossom end, gain to the stem end
    "blunt_stem",  # ln of the superellipse's exponent at the stem end
    "blunt_blossom",  # the same at the blossom end
    "bend",  # sagitta of the axis over the length, in the picture's plane
    "slant_stem",  # how far the stem end's shoulders differ left and right, over the length
    "slant_blossom",  # the same for the blossom end's lobes
)
INDEX = {name: place for place, name in enumerate(NAMES)}

# Fine enough that the inscribed polygons fall short of the true curves by under 0.15 %.
N_ALONG, N_ROUND = 25, 60
# Differences need no more than this: what a coarse polygon falls short of cancels.
COARSE_ALONG, COARSE_ROUND = 15, 28


@dataclass(frozen=True)
class Grid:
    """Where the form's skin is sampled: t from blossom end to stem end, phi round the axis."""

    cos_t: Floats
    sin_t: Floats
    cos_phi: Floats
    sin_phi: Floats

    @property
    def shape(self) -> tuple[int, int]:
        """Samples along and round."""
        return len(self.cos_t), len(self.cos_phi)


def make_grid(along: int = N_ALONG, around: int = N_ROUND) -> Grid:
    """Return a sampling of the skin."""
    t = np.linspace(-np.pi / 2, np.pi / 2, along)
    phi = np.arange(around) * (2 * np.pi / around)
    return Grid(np.cos(t), np.sin(t), np.cos(phi), np.sin(phi))


def skin(theta: Floats, grid: Grid) -> Floats:
    """Return points of the form's skin in its own frame.

    Parameters
    ----------
    theta : float64, shape (m, 13)
        `m` parameter vectors in the order of `NAMES`; the first four place the form and do not count here.
    grid : Grid

    Returns
    -------
    float64, shape (m, along, around, 3)
        mm: right of the axis in the picture, along the axis (stem end positive), towards the camera.
    """
    p = {name: theta[:, place, None, None] for name, place in INDEX.items()}
    width, length, depth = np.exp(p["width"]), np.exp(p["width"] + p["slender"]), np.exp(p["width"] + p["flat"])
    sine = grid.sin_t[None, :, None]
    cosine = np.maximum(grid.cos_t, 1e-9)[None, :, None]
    blunt = np.exp(np.where(sine > 0, p["blunt_stem"], p["blunt_blossom"]))
    height = np.sign(sine) * np.abs(sine) ** (2 / blunt)
    radius = cosine ** (2 / blunt) * _tapered(height, p["taper"])
    right = 0.5 * width * radius * grid.cos_phi
    slant = np.where(height > 0, p["slant_stem"], p["slant_blossom"]) * np.abs(height)
    along = 0.5 * length * height + slant * length * radius * grid.cos_phi
    right = right + p["bend"] * length * (height**2 - 1 / 3)
    towards = 0.5 * depth * radius * grid.sin_phi
    return np.stack(np.broadcast_arrays(right, along, towards), axis=-1)


def _tapered(height: Floats, taper: Floats) -> Floats:
    """Relative radius along the axis, its greatest value over the whole barrel held at one."""
    tapered: Floats = (1 + taper * height) / (1 + np.abs(taper) * 0.35)
    return tapered
