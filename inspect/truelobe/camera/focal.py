"""What is known of the focal length before the card is looked at.

In this order: a camera profile, the EXIF 35 mm equivalent, else a wide prior. The card's own perspective then
sharpens whichever it is (`truelobe.camera.pose`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from truelobe.photo import Photo

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
# The two conventions for the 35 mm equivalent (diagonal, width) differ by 4.0 % for a 4:3 sensor, and whole
# millimetres add 1.9 % at 26 mm: together about 3 % as a standard uncertainty.
U_EXIF = 0.03
# Main cameras of phones lie between about 23 and 30 mm; a zoomed or wide one is rarer, so the spread is wide.
PRIOR_35MM, U_PRIOR = 27.0, 0.14

FocalSource = Literal["profile", "exif", "card", "prior"]


@dataclass(frozen=True)
class LensProfile:
    """What a coach measured of one camera: focal length as a share of the diagonal, and lens distortion.

    Attributes
    ----------
    camera : str
        Make and model as the photo names it.
    focal_per_diagonal : float
        Focal length divided by the picture's diagonal, both in pixels.
    u_relative : float
        Relative standard uncertainty of the focal length.
    k1, k2 : float
        Radial distortion, OpenCV's convention.
    """

    camera: str
    focal_per_diagonal: float
    u_relative: float
    k1: float = 0.0
    k2: float = 0.0


@dataclass(frozen=True)
class FocalGuess:
    """A focal length in pixels with its relative standard uncertainty, and where it comes from."""

    focal_px: float
    u_relative: float
    source: FocalSource
    k1: float = 0.0
    k2: float = 0.0


def guess_focal(photo: Photo, profile: LensProfile | None = None) -> FocalGuess:
    """Return the focal length known before the card is looked at, in pixels of the upright photo.

    A 26 mm equivalent on 4032 x 3024 pixels is 3028.7 px by the diagonal rule.
    """
    height, width = photo.pixels.shape[:2]
    diagonal = math.hypot(width, height)
    if profile is not None:
        return FocalGuess(
            profile.focal_per_diagonal * diagonal, profile.u_relative, "profile", profile.k1, profile.k2
        )
    if photo.focal_35mm is not None and 8 <= photo.focal_35mm <= 400:
        return FocalGuess(photo.focal_35mm * diagonal / FULL_FRAME_DIAGONAL_MM, U_EXIF, "exif")
    return FocalGuess(PRIOR_35MM * diagonal / FULL_FRAME_DIAGONAL_MM, U_PRIOR, "prior")
