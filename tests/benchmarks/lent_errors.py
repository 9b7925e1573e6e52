"""An outline scene's pepper as the tool would see it: by a perfect eye, or with one found pepper's errors.

What `truelobe bench intervals` checks and `tests.benchmarks.lobing` counts starts here: outline, stem cue, axis
and sizes read, each right or as a donor of `sample_images/maker/found.py` misread them.
"""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
from sample_images.maker.found import Donor, causes, frame_of, middle_of, misread, read_moves, toward_stem
from sample_images.maker.outline_scenes import OutlineScene, SeenPepper
from tests.benchmarks.truths import axis_of

from truelobe.camera import Lens, View
from truelobe.fruit.axis import StemCue
from truelobe.fruit.bearing import Bearing, against_sight
from truelobe.fruit.measure import ViewErrors, measure_size
from truelobe.fruit.pose import Stance
from truelobe.fruit.silhouette import Silhouette, filled

# A perfect eye's reading of the axis, held to 6 degrees, and of a size that it keeps to itself.
RIGHTLY_HELD, NOTHING_KNOWN = 100.0, 1e3


def silhouette_of(pepper: SeenPepper) -> Silhouette:
    """Return the outline as a perfect finder would hand it on."""
    outlines = tuple(pepper.truth["outline_px"])
    return Silhouette(
        number=pepper.truth["number"],
        box=pepper.box,
        body=(pepper.part == 1) | (pepper.part == 2),
        calyx=pepper.part == 2,
        stem=pepper.part == 3,
        outline_px=outlines,
        calyx_px=tuple(pepper.truth["calyx_px"]),
        stem_px=tuple(pepper.truth["stem_px"]),
        centre_px=pepper.truth["centre_px"],
        score=1.0,
        doubtful=False,
        hidden_fraction=pepper.truth["hidden_fraction"],
        occluded=tuple(_beside(pepper, ring) for ring in outlines),
    )


def _beside(pepper: SeenPepper, ring: np.ndarray) -> np.ndarray:
    """Which vertices border a nearer pepper."""
    x0, y0, _, _ = pepper.box
    near = cv2.dilate(pepper.nearer.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    column, row = np.round(ring - [x0, y0]).astype(int).T
    height, width = near.shape
    return near[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]


def as_found(
    pepper: SeenPepper, scene: OutlineScene, shape: Silhouette, cue: StemCue | None, donor: Donor, mirror: bool
) -> tuple[Silhouette, StemCue | None]:
    """The outline and stem cue with one found pepper's errors."""
    outline = shape.outline_px[0]
    middle, stem = middle_of(outline), toward_stem(pepper.truth["axis_px"])
    size = float(np.sqrt(shape.body.sum()))
    moved = misread(outline, donor, middle, stem, size, mirror)
    (x0, y0), (x1, y1) = np.floor(moved.min(axis=0)).astype(int) - 2, np.ceil(moved.max(axis=0)).astype(int) + 3
    box = (int(x0), int(y0), int(x1), int(y1))
    none = np.zeros((box[3] - box[1], box[2] - box[0]), bool)
    found = replace(
        shape,
        box=box,
        body=filled([moved], box),
        calyx=none,
        stem=none,
        outline_px=(moved,),
        occluded=shape.occluded[:1],
        disagreement_px=None if donor.apart_mm is None else donor.apart_mm * px_per_mm(pepper, scene),
    )
    if donor.cue_found is None:
        return found, None
    if cue is None and donor.cue_true is not None:
        return found, None  # No donor lost or found nothing where nothing was: the true cue's absence stays.
    across = np.array([-stem[1], stem[0]]) * (-1 if mirror else 1)
    offset = (donor.cue_offset[0] * stem + donor.cue_offset[1] * across) * size
    if cue is None:
        return found, StemCue(middle + offset, donor.cue_found, donor.cue_share)
    if donor.cue_true is None:
        return found, cue
    return found, StemCue(cue.end_px + offset, donor.cue_found, donor.cue_share)


def as_read(pepper: SeenPepper, scene: OutlineScene, donor: Donor, mirror: bool) -> Bearing:
    """What the network would read with one found pepper's errors of axis and size."""
    right = read_rightly(pepper, scene)
    toward = donor.toward * [1, 1, -1 if mirror else 1] @ frame_of(right.toward[0])
    read = donor.size_off + np.array([right.diameter_px[0], right.length_px[0]])
    (diameter, length), (u_diameter, u_length) = read.tolist(), donor.size_u.tolist()
    return replace(
        right,
        toward=toward,
        held=donor.held,
        chance=donor.chance,
        diameter_px=(diameter, u_diameter),
        length_px=(length, u_length),
    )


def erring_alike(stance: Stance, errors: ViewErrors, donor: Donor, pepper: SeenPepper) -> Stance:
    """The same with sizes read that err as much like the fitted ones as the donor's kind do."""
    size, read = measure_size(stance.fit, errors), stance.bearing
    assert read is not None
    truth = pepper.truth
    true = np.array([truth["diameter_greatest_mm"], truth["length_mm"] if truth["pose"] == "lying" else np.nan])
    figures = [size.diameter, size.length_likely]
    value, u = np.array([(figure.value, figure.standard_uncertainty) for figure in figures]).T
    far = np.log(stance.fit.seen().centre[0, 2] / truth["depth_mm"])
    excess = float(np.log(truth["diameter_greatest_mm"] / truth["width_seen_mm"]))
    diameter, length = read_moves(donor, causes(excess, np.log(value / true) - far, u / value))
    moved = replace(
        read,
        diameter_px=(read.diameter_px[0] + float(diameter), read.diameter_px[1]),
        length_px=(read.length_px[0] + float(length), read.length_px[1]),
    )
    return replace(stance, bearing=moved)


def read_rightly(pepper: SeenPepper, scene: OutlineScene) -> Bearing:
    """The true axis, and nothing of the sizes: their uncertainty is beyond all bounds."""
    truth, view = pepper.truth, clean_setting(scene).view
    per_mm = px_per_mm(pepper, scene)
    axis = axis_of(view.ideal(np.array(truth["axis_px"])), truth["axis_towards_camera_deg"])
    middle = middle_of(truth["outline_px"][0])
    sight = np.append(view.ideal(middle[None])[0], 1.0)
    seen = against_sight(axis, sight / np.linalg.norm(sight))
    return Bearing(
        np.array([seen, -seen]),
        np.array([RIGHTLY_HELD, RIGHTLY_HELD]),
        np.array([1.0, 0.0]),
        (float(np.log(truth["diameter_greatest_mm"] * per_mm)), NOTHING_KNOWN),
        (float(np.log(truth["length_mm"] * per_mm)), NOTHING_KNOWN),
        middle,
    )


def px_per_mm(pepper: SeenPepper, scene: OutlineScene) -> float:
    """Photo pixels in a millimetre at the pepper's middle."""
    return float(clean_setting(scene).view.lens.focal_px / pepper.truth["depth_mm"])


def clean_setting(scene: OutlineScene) -> SimpleNamespace:
    """The true camera, the true plate, and no doubt about either."""
    camera = scene.camera
    turn = np.diag([1.0, -1.0, -1.0])
    matrix = camera.matrix
    lens = Lens(
        matrix[0, 0], matrix[0, 2], matrix[1, 2], camera.distortion[0], camera.distortion[1], 1e-3, "profile"
    )
    view = View(lens, camera.rotation @ turn, camera.translation)
    return SimpleNamespace(view=view, errors=ViewErrors({}, 0.0, 0.01))
