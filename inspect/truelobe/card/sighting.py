"""What was seen of the card in a photo, and what can be wrong with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from truelobe.card.layout import CardLayout
from truelobe.card.plane import Plane
from truelobe.messages import Message


@dataclass(frozen=True)
class PatchReading:
    """The mean of the inner part of one patch.

    Attributes
    ----------
    name : str
        As in the layout.
    linear : ndarray of float64, shape (3,)
        Linear sRGB, robust mean.
    sd : ndarray of float64, shape (3,)
        Standard deviation of single pixels.
    pixels : int
        How many were used.
    clipped : bool
        True when a channel touches black or white: the true value may lie beyond.
    centre_px : tuple of float
        Where the patch's middle lies.
    """

    name: str
    linear: NDArray[np.float64]
    sd: NDArray[np.float64]
    pixels: int
    clipped: bool
    centre_px: tuple[float, float]


@dataclass(frozen=True)
class CardSighting:
    """The card as found in one photo. Pixel centres are at whole numbers.

    Attributes
    ----------
    layout : CardLayout
        The edition found.
    print_number : int or None
        None where the code could not be read.
    corners_mm, corners_px : ndarray of float64, shape (N, 2)
        The saddle points seen: nominal place on the card, place in the picture.
    corner_sd_px : float
        Standard deviation of one coordinate of `corners_px`, from the residuals to a plane.
    outline_px : ndarray of float64, shape (4, 2)
        The card's outer corners, clockwise from its own top-left.
    patches : tuple of PatchReading
        Patches seen whole and evenly.
    black_and_white : bool
        True when the colour patches have no colour: a black-and-white print, or a photo without colour.
    plane : Plane
        From card millimetres to the picture.
    blur_px : float
        Standard deviation of the picture's edge spread at the card.
    messages : tuple of Message
    """

    layout: CardLayout
    print_number: int | None
    corners_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    corner_sd_px: float
    outline_px: NDArray[np.float64]
    patches: tuple[PatchReading, ...]
    black_and_white: bool
    plane: Plane
    blur_px: float
    messages: tuple[Message, ...] = ()
