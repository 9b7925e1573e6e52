"""The plates' truth by a second route: a general mesh library, OpenCV's projection, and geometry on paper."""

import json
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
import trimesh
from sample_images.maker.labels import alone
from sample_images.maker.model import BODY, STEM
from sample_images.maker.optics import look
from sample_images.maker.outline_scenes import _bare_scene
from sample_images.maker.render import _in_passes
from sample_images.maker.truth import size_of
from tests.benchmarks.truths import read_truth

from truelobe.card import find_card, load_layout
from truelobe.photo import read_photo


@pytest.fixture(scope="module")
def scene():
    return _bare_scene(3, "second", "normal", (800, 600), "red")


def test_extents_agree_with_a_general_mesh_library(scene):
    # trimesh's own bounds of the body's faces along the axis, and of its turned copies across it.
    for placed in scene.fruit:
        model = placed.model
        body = trimesh.Trimesh(model.vertices, model.faces[model.face_part == BODY], process=False)
        body.remove_unreferenced_vertices()
        said = size_of(model)
        assert body.extents[2] == pytest.approx(said["length_mm"], abs=0.002)
        hull = body.convex_hull
        widths = []
        for angle in np.linspace(0, np.pi, 180, endpoint=False):
            turn = trimesh.transformations.rotation_matrix(angle, [0, 0, 1])
            widths.append(np.ptp(trimesh.transform_points(hull.vertices, turn)[:, 0]))
        # 1 degree steps miss the greatest width by at most 1 - cos(0.5 degrees), 0.004 %: 0.005 mm on 120 mm.
        # The least sits in a kink: half a degree of a 120 mm chord beside it is 1 mm.
        assert max(widths) == pytest.approx(said["diameter_greatest_mm"], abs=0.01)
        assert min(widths) - 1.05 < said["diameter_least_mm"] < min(widths) + 0.002


def test_silhouette_agrees_with_opencv_projection(scene):
    fine = scene.camera.enlarged(4)
    turn = cv2.Rodrigues(fine.rotation)[0]
    for placed in scene.fruit[:2]:
        faces = placed.model.faces[placed.model.face_part != STEM]
        sight, top, left = alone(fine, placed.vertices, faces)
        ours = sight.face >= 0
        pixels = cv2.projectPoints(
            placed.vertices, turn, fine.translation, np.asarray(fine.matrix), np.asarray(fine.distortion)
        )[0].reshape(-1, 2)
        drawn = np.zeros(ours.shape, np.uint8)
        for triangle in np.round(pixels[faces] - [left, top]).astype(np.int32):
            cv2.fillConvexPoly(drawn, triangle, 1)
        both, either = (ours & (drawn > 0)).sum(), (ours | (drawn > 0)).sum()
        assert both / either >= 0.99


def test_a_sphere_meets_its_analytic_outline():
    # A sphere of radius r at distance d on the optical axis shows a circle of f r / sqrt(d^2 - r^2) pixels.
    radius, distance, focal = 40.0, 400.0, 900.0
    camera = look(
        target=np.zeros(3),
        distance=distance,
        tilt=0.0,
        heading=0.0,
        roll=0.0,
        width=401,
        height=401,
        focal_px=focal,
        distortion=np.zeros(5),
        centre_offset=(0.0, 0.0),
        focal_35mm=26.0,
    )
    ball = trimesh.creation.icosphere(subdivisions=6, radius=radius)
    seen = alone(camera, ball.vertices, ball.faces)[0].face >= 0
    expected = np.pi * (focal * radius / np.sqrt(distance**2 - radius**2)) ** 2
    # The inscribed polyhedron's outline loses under 0.1 %; counting pixels adds about 0.1 % at this size.
    assert seen.sum() == pytest.approx(expected, rel=0.003)


def test_the_card_lies_where_the_recorded_camera_sees_it(root):
    nominal = load_layout()
    for path in sorted((root / "sample_images" / "plates").glob("*-easy.truth.json"))[:2]:
        plate = read_truth(path)
        sighting = find_card(read_photo(plate.photo))
        card = json.loads(path.read_text())["card"]
        scale = np.array([card["scale_across"], card["scale_down"]])
        assert sighting.layout.edition == nominal.edition
        assert sighting.print_number == card["print_number"]
        points = np.column_stack([sighting.corners_mm[:, :2] * scale, np.zeros(len(sighting.corners_mm))])
        away = plate.view.project(points) - sighting.corners_px
        # Corner noise of a JPEG is about 0.1 px; an easy plate's curl of up to 0.6 mm adds up to half a pixel.
        assert np.sqrt((away**2).sum(axis=1).mean()) < 0.6


def test_a_black_picture_is_no_scene():
    black = SimpleNamespace(render=lambda world, spp, seed: np.zeros((4, 6, 9), np.float32))
    with pytest.raises(RuntimeError, match="black"):
        _in_passes(black, None, 8, 1, 24)
    seen = SimpleNamespace(render=lambda world, spp, seed: np.ones((4, 6, 9), np.float32))
    np.testing.assert_array_equal(_in_passes(seen, None, 8, 1, 24), 1.0)
