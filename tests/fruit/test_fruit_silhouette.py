"""Masks and polygons tell the same shape."""

import numpy as np
import pytest

from truelobe.fruit.silhouette import area, contours, filled, mask_contours


def disc(radius, centre, shape=(80, 90)):
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return radius - np.hypot(columns - centre[0], rows - centre[1])


def test_contour_of_a_disc_has_the_disc_s_area_and_centre():
    # Closed form: pi r^2. Marching squares on a linear cone errs by the chord only, under 1e-3 of r^2 here.
    (ring,) = contours(disc(30.0, (41.3, 38.6)), 0.0, origin=(100.0, 200.0))
    assert abs(area(ring)) == pytest.approx(np.pi * 30**2, rel=2e-3)
    assert (ring.min(axis=0) + ring.max(axis=0)) / 2 == pytest.approx([141.3, 238.6], abs=0.05)


def test_filling_a_contour_gives_the_mask_back():
    mask = disc(25.0, (40.2, 41.7)) > 0
    mask[38:46, 36:44] = False
    rings = mask_contours(mask, origin=(7.0, 9.0))
    assert len(rings) == 2
    assert np.array_equal(filled(rings, (7, 9, 97, 89)), mask)


def test_a_shape_cut_by_the_frame_is_closed_half_a_pixel_outside():
    (ring,) = mask_contours(np.ones((6, 4), bool))
    assert ring.min(axis=0) == pytest.approx([-0.5, -0.5])
    assert ring.max(axis=0) == pytest.approx([3.5, 5.5])


def test_pixel_centres_lie_at_whole_numbers():
    square = np.array([[1.6, 0.6], [4.4, 0.6], [4.4, 2.4], [1.6, 2.4]])
    expected = np.zeros((4, 6), bool)
    expected[1:3, 2:5] = True
    assert np.array_equal(filled([square], (0, 0, 6, 4)), expected)


def test_filling_outside_the_box_leaves_the_rest_right():
    square = np.array([[-50.0, -50.0], [2.5, -50.0], [2.5, 2.5], [-50.0, 2.5]])
    assert filled([square], (0, 0, 5, 5)).sum() == 9
