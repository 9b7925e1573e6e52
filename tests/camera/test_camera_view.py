"""The camera against closed forms and worked numbers."""

import math

import cv2
import numpy as np
import pytest

from truelobe.camera import FocalGuess, Lens, View, fit_view
from truelobe.camera.focal import FULL_FRAME_DIAGONAL_MM

pytestmark = pytest.mark.opencv

SIZE = (4032, 3024)


def turned(*degrees: float) -> np.ndarray:
    """Rotation x, then y, then z: R = Rx Ry Rz."""
    x, y, z = (cv2.Rodrigues(np.radians(a) * axis)[0] for a, axis in zip(degrees, np.eye(3), strict=True))
    return x @ y @ z


def corners(columns: int = 9, rows: int = 7, pitch: float = 15.0) -> np.ndarray:
    grid = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    return grid * pitch + 20.0


def seen_by(rotation: np.ndarray, translation: np.ndarray, focal: float = 3000.0, k1: float = 0.0) -> View:
    return View(Lens(focal, 2015.5, 1511.5, k1, 0.0, 0.03, "exif"), rotation, np.asarray(translation, float))


def test_the_35_mm_equivalent_by_the_diagonal_rule() -> None:
    # 26 mm on 4032 x 3024: 26 * hypot(4032, 3024) / 43.2666 = 3028.7 px (a frame of 36 x 24 mm).
    assert 26 * math.hypot(*SIZE) / FULL_FRAME_DIAGONAL_MM == pytest.approx(3028.7, abs=0.05)


def test_worked_homography() -> None:
    # Rotations x 25, then y 10, then z 7 degrees, t = (-50, -30, 420) mm, f 3000, principal point 2016, 1512 give
    # a homography whose first row is 6.4793414197 1.2482387542 1658.8571429 (Zhang 2000; recomputed).
    view = View(Lens(3000.0, 2016.0, 1512.0, 0, 0, 0.03, "exif"), turned(25, 10, 7), np.array([-50.0, -30, 420]))
    expected = np.array(
        [
            [6.4793414197, 1.2482387542, 1658.8571429],
            [0.93229643733, 7.9406226348, 1297.7142857],
            [-2.4928906815e-4, 1.0443994467e-3, 1.0],
        ]
    )
    points = np.array([[0.0, 0, 0], [100, 0, 0], [0, 100, 0], [80, 60, 0]])
    lifted = np.column_stack([points[:, :2], np.ones(4)]) @ expected.T
    assert view.project(points) == pytest.approx(lifted[:, :2] / lifted[:, 2:], abs=1e-4)
    # Camera height over the plane in the same example: 378.6699 mm.
    assert view.height_mm == pytest.approx(378.6699, abs=1e-4)


def test_projection_agrees_with_opencv_also_through_a_bent_lens() -> None:
    view = seen_by(turned(20, -10, 30), [-40, -30, 450], k1=0.04)
    points = np.random.default_rng(0).uniform([-50, -50, -90], [150, 150, 0], (50, 3))
    reference = cv2.projectPoints(
        points, cv2.Rodrigues(view.rotation)[0], view.translation, view.lens.matrix, view.lens.distortion
    )[0].reshape(-1, 2)
    assert view.project(points) == pytest.approx(reference, abs=1e-6)
    assert view.distort(view.ideal(reference)) == pytest.approx(reference, abs=1e-3)


def test_a_pixel_comes_back_from_the_plane_it_was_sent_to() -> None:
    view = seen_by(turned(30, 5, 80), [-40, -30, 450], k1=-0.02)
    points = np.column_stack([np.random.default_rng(1).uniform(0, 150, (20, 2)), np.full(20, -35.0)])
    pixels = view.project(points)
    back = (view.on_plane(pixels, 35.0) - view.translation) @ view.rotation
    assert back == pytest.approx(points, abs=1e-3)


@pytest.mark.parametrize("tilt", [3.0, 15.0, 30.0])
def test_pose_and_focal_length_come_back_within_their_stated_uncertainty(tilt: float) -> None:
    truth = seen_by(turned(tilt, tilt / 3, 17), [-70, -50, 450], focal=3100.0)
    rng = np.random.default_rng(int(tilt))
    guess = FocalGuess(3000.0, 0.03, "exif")
    misses, heights = [], []
    for _ in range(40):
        noisy = truth.project(np.column_stack([corners(), np.zeros(63)])) + rng.normal(0, 0.2, (63, 2))
        view = fit_view(corners(), noisy, SIZE, guess, 0.2)
        misses.append(math.log(view.lens.focal_px / 3100.0) / view.lens.u_focal_relative)
        heights.append(view.height_mm * 3100 / view.lens.focal_px - truth.height_mm)
    # Independent corner noise is less than what the fit allows for (paper that is not flat), so the spread in
    # units of the stated uncertainty stays well under two.
    assert np.sqrt(np.mean(np.square(misses))) < 2.0
    assert np.abs(np.mean(heights)) < 3.0


def test_a_straight_down_photo_keeps_the_focal_length_it_was_told() -> None:
    # From one view at 3 degrees the card gives the focal length to 24 % at 0.2 px: the prior of 3 % must stand.
    truth = seen_by(turned(1, 0, 0), [-70, -50, 450])
    pixels = truth.project(np.column_stack([corners(), np.zeros(63)]))
    view = fit_view(corners(), pixels, SIZE, FocalGuess(3000.0, 0.03, "exif"), 0.2)
    assert view.lens.source == "exif"
    assert view.lens.u_focal_relative == pytest.approx(0.03, rel=0.1)


def test_a_tilted_photo_without_exif_takes_the_focal_length_from_the_card() -> None:
    truth = seen_by(turned(30, 5, 10), [-70, -50, 450], focal=3000.0)
    pixels = truth.project(np.column_stack([corners(), np.zeros(63)]))
    view = fit_view(corners(), pixels, SIZE, FocalGuess(3400.0, 0.14, "prior"), 0.2)
    assert view.lens.source == "card"
    assert view.lens.focal_px == pytest.approx(3000.0, rel=3 * view.lens.u_focal_relative)
