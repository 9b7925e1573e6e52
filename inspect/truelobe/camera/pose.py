"""The camera's pose from the card's corners, the focal length sharpened where the card's perspective allows it.

All saddle points of the card are fitted at once by least squares (Levenberg-Marquardt, SciPy) for pose, focal
length and the first radial distortion term; what was known before stands in as prior rows. A straight-down photo
does not determine the focal length (the prior then stays), a tilted one does: the covariance says which.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from truelobe.camera.focal import FocalGuess, FocalSource, LensProfile, guess_focal
from truelobe.camera.view import Lens, View
from truelobe.card import CardSighting, PrintScale
from truelobe.messages import TruelobeError
from truelobe.photo import Photo

Floats = NDArray[np.float64]

# Phones straighten their pictures; what is left of the first radial term is a few hundredths at most.
U_K1 = 0.02
# Corner errors left by paper that is not quite flat are alike between neighbours, so the corners count as fewer
# independent readings than they are.
CORNERS_PER_READING = 4.0
# A printed card on a table is flat to about 0.3 mm; seen at 30 degrees off its normal that moves a corner by
# about 0.15 mm in the picture.
FLATNESS_MM = 0.1
MIN_CORNERS = 8


def view_from_card(
    sighting: CardSighting, photo: Photo, scale: PrintScale, profile: LensProfile | None = None
) -> View:
    """Return the camera over the card.

    Parameters
    ----------
    sighting : CardSighting
        At least eight corners, in px and in nominal mm.
    photo : Photo
    scale : PrintScale
        How much larger than nominal the card was printed, across and down.
    profile : LensProfile, optional

    Raises
    ------
    TruelobeError
        ``card-pose-failed`` when no camera fits the corners.
    """
    height, width = photo.pixels.shape[:2]
    guess = guess_focal(photo, profile)
    corners_mm = np.asarray(sighting.corners_mm) * np.array([scale.across, scale.down])
    return fit_view(corners_mm, sighting.corners_px, (width, height), guess, sighting.corner_sd_px)


def fit_view(
    corners_mm: Floats, corners_px: Floats, size_px: tuple[int, int], guess: FocalGuess, corner_sd_px: float
) -> View:
    """Fit pose, focal length and the first radial term to a plane's corners.

    Parameters
    ----------
    corners_mm : float64, shape (n, 2)
        In the plane, as printed.
    corners_px : float64, shape (n, 2)
    size_px : (width, height)
    guess : FocalGuess
    corner_sd_px : float
        Standard uncertainty of one corner's coordinate.
    """
    if len(corners_mm) < MIN_CORNERS:
        raise _no_pose()
    width, height = size_px
    points = np.column_stack([corners_mm, np.zeros(len(corners_mm))])
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    sigma = math.hypot(corner_sd_px, FLATNESS_MM * _px_per_mm(corners_mm, corners_px))
    sigma *= math.sqrt(CORNERS_PER_READING)

    def residuals(x: Floats) -> Floats:
        errors = (_projected(x, points, centre, guess) - corners_px).ravel() / sigma
        return np.concatenate([errors, [x[0] / guess.u_relative, x[1] / U_K1]])

    fit = least_squares(
        residuals,
        _start(points, corners_px, centre, guess),
        x_scale=np.array([0.01, 0.01, 0.01, 0.01, 0.01, 1, 1, 1]),
        method="lm",
    )
    if not np.isfinite(fit.x).all() or fit.x[7] <= 0:
        raise _no_pose()
    jacobian = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64)
    errors = _projected(fit.x, points, centre, guess) - corners_px
    u_focal = float(np.sqrt(covariance[0, 0]))
    lens = Lens(
        focal_px=guess.focal_px * float(np.exp(fit.x[0])),
        cx=float(centre[0]),
        cy=float(centre[1]),
        k1=guess.k1 + float(fit.x[1]),
        k2=guess.k2,
        u_focal_relative=u_focal,
        source=_source(guess, u_focal),
    )
    residual = float(np.sqrt(np.mean(np.sum(errors**2, axis=1))))
    rotation = np.asarray(cv2.Rodrigues(fit.x[2:5])[0], dtype=np.float64)
    return View(lens, rotation, fit.x[5:8].copy(), covariance, residual)


def _source(guess: FocalGuess, u_focal: float) -> FocalSource:
    """Name the card as the source where it more than halved what was unsure before."""
    return "card" if guess.source != "profile" and u_focal < 0.5 * guess.u_relative else guess.source


def _start(points: Floats, corners_px: Floats, centre: Floats, guess: FocalGuess) -> Floats:
    matrix = np.array([[guess.focal_px, 0, centre[0]], [0, guess.focal_px, centre[1]], [0, 0, 1]])
    found, turn, shift = cv2.solvePnP(
        points.reshape(-1, 1, 3),
        np.asarray(corners_px, dtype=np.float64).reshape(-1, 1, 2),
        matrix,
        np.array([guess.k1, guess.k2, 0, 0, 0], dtype=np.float64),
        flags=cv2.SOLVEPNP_IPPE,
    )
    if not found or not np.isfinite(shift).all() or shift.ravel()[2] <= 0:
        raise _no_pose()
    return np.concatenate([[0.0, 0.0], turn.ravel(), shift.ravel()])


def _projected(x: Floats, points: Floats, centre: Floats, guess: FocalGuess) -> Floats:
    turned = points @ cv2.Rodrigues(x[2:5])[0].T + x[5:8]
    xy = turned[:, :2] / turned[:, 2:3]
    r2 = np.sum(xy * xy, axis=1, keepdims=True)
    bent = xy * (1 + (guess.k1 + x[1]) * r2 + guess.k2 * r2 * r2)
    projected: Floats = bent * (guess.focal_px * np.exp(x[0])) + centre
    return projected


def _px_per_mm(corners_mm: Floats, corners_px: Floats) -> float:
    spread_mm = np.sqrt(np.var(corners_mm, axis=0).sum())
    return float(np.sqrt(np.var(corners_px, axis=0).sum()) / spread_mm)


def _no_pose() -> TruelobeError:
    return TruelobeError(
        "card-pose-failed",
        "The card is in the picture, but it doesn't lie flat enough to tell where the camera was.",
        "Lay the card flat on the table and take the photo again from straight above.",
    )
