"""The committed truth files agree with a second route, and that route sees a planted fault."""

import copy
import json

import pytest
from sample_images.maker.plates import plate_scene
from tests.benchmarks.second_route import UNHIDDEN, silhouettes_overlap, sizes_apart_mm, sphere_overlap

# One pepper that nothing hides, from the judging set: its scene is soon made again.
PLATE = "judging-064-easy"


@pytest.fixture(scope="module")
def plate(root):
    truth = json.loads((root / "sample_images" / "judging" / f"{PLATE}.truth.json").read_text())
    scene, _ = plate_scene("judging", truth["seed"], truth["difficulty"])
    return truth, scene


def test_sizes_in_the_file_are_those_of_a_general_mesh_library(plate):
    truth, scene = plate
    said = truth["peppers"][0]
    # 720 directions miss the greatest width by 1 - cos(0.125 degrees) at most: 0.0003 mm on 110; three decimals.
    assert sizes_apart_mm(scene.fruit[0], said) < 0.001
    assert sizes_apart_mm(scene.fruit[0], said | {"length_mm": said["length_mm"] * 1.01}) > 0.4


def test_outline_in_the_file_is_what_opencv_projects_from_the_recorded_camera(plate):
    truth, scene = plate
    said = truth["peppers"][0]
    assert said["hidden_fraction"] <= UNHIDDEN
    assert silhouettes_overlap(scene.fruit[0], scene.card, truth["camera"], said) >= 0.99
    moved = copy.deepcopy(truth["camera"])
    moved["matrix"][0][2] += 3
    assert silhouettes_overlap(scene.fruit[0], scene.card, moved, said) < 0.99


def test_a_sphere_through_the_recorded_camera_meets_its_analytic_outline(plate):
    truth, _ = plate
    # 20,000 pixels and an inscribed polyhedron with edges of 1 mm: the rim is under a hundredth of a pixel off.
    assert sphere_overlap(truth) >= 0.998
    other = copy.deepcopy(truth)
    other["camera"]["distortion"][0] += 0.1
    assert sphere_overlap(other) >= 0.998
