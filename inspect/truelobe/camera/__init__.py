"""Lens, pose, pixel <-> millimetre on the plate plane.

Published geometry: planar pose after Zhang, IEEE TPAMI 22(11), 2000; lens model of OpenCV (Brown-Conrady).
"""

from truelobe.camera.focal import FocalGuess, LensProfile, guess_focal
from truelobe.camera.pose import fit_view, view_from_card
from truelobe.camera.view import Lens, View

__all__ = ["FocalGuess", "Lens", "LensProfile", "View", "fit_view", "guess_focal", "view_from_card"]
