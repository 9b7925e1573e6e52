"""Lens, pose, pixel <-> millimetre on the plate plane.

Published geometry: planar pose after Zhang, IEEE TPAMI 22(11), 2000; lens model of OpenCV (Brown-Conrady).
"""

from truelobe.camera.errors import Shifted, shifted_views
from truelobe.camera.focal import FocalGuess, LensProfile, guess_focal
from truelobe.camera.pose import fit_view, view_from_card
from truelobe.camera.view import Lens, View

__all__ = [
    "FocalGuess",
    "Lens",
    "LensProfile",
    "Shifted",
    "View",
    "fit_view",
    "guess_focal",
    "shifted_views",
    "view_from_card",
]
