"""The camera as it could also be: what each source of error would make of the view.

Every entry is a tuple of views, each one standard uncertainty away from the best one in an independent direction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from truelobe.camera.focal import LensProfile
from truelobe.camera.pose import view_from_card
from truelobe.camera.view import View
from truelobe.card import CardSighting, PrintScale
from truelobe.figures import SharedBy
from truelobe.photo import Photo

Shifted = Mapping[str, tuple[SharedBy, tuple[View, ...]]]


def shifted_views(
    view: View, sighting: CardSighting, photo: Photo, scale: PrintScale, profile: LensProfile | None = None
) -> Shifted:
    """Return the views that the print's scale, the focal length and the pose could also have given.

    Notes
    -----
    A wrong focal length drags the pose with it, so its step moves all eight parameters along their covariance
    with it; what remains of the covariance is the pose's own, split into independent steps by Cholesky.
    """
    covariance = view.covariance
    focal_step = covariance[:, 0] / np.sqrt(covariance[0, 0])
    rest = covariance[1:, 1:] - np.outer(focal_step[1:], focal_step[1:])
    root = np.linalg.cholesky(rest + 1e-15 * np.diag(np.diag(covariance)[1:]))
    pose = tuple(view.moved(np.concatenate([[0.0], column])) for column in root.T)
    across = replace(scale, across=scale.across * (1 + scale.u_across))
    down = replace(scale, down=scale.down * (1 + scale.u_down))
    return {
        "print scale across": ("print", (view_from_card(sighting, photo, across, profile),)),
        "print scale down": ("print", (view_from_card(sighting, photo, down, profile),)),
        "focal length": ("camera", (view.moved(focal_step),)),
        "pose": ("photo", pose),
    }
