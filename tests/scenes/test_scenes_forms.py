"""The third and fourth families of forms and the outline scenes: sizes by a second route, a seed is a scene."""

import itertools
from collections import Counter

import numpy as np
import pytest
import trimesh
from sample_images.maker import fruit_fourth
from sample_images.maker.found import donors, draw_donor, middle_of, misread, reach_round
from sample_images.maker.fruit_third import FORMS, make_fruit
from sample_images.maker.model import BODY, STEM
from sample_images.maker.outline_scenes import ALL, outline_scenes
from sample_images.maker.truth import size_of


def test_sizes_of_the_third_family_agree_with_a_general_mesh_library() -> None:
    for seed, form in enumerate(FORMS):
        model = make_fruit(np.random.default_rng([seed, 1]), "red", form=form, detail=0.2)
        body = trimesh.Trimesh(model.vertices, model.faces[model.face_part == BODY], process=False)
        body.remove_unreferenced_vertices()
        said = size_of(model)
        assert body.extents[2] == pytest.approx(said["length_mm"], abs=0.002)
        flat = trimesh.points.PointCloud(body.vertices * [1, 1, 0]).vertices[:, :2]
        apart = np.linalg.norm(flat[:, None] - flat[None], axis=2).max()
        # The greatest caliper width is the diameter of the point set; 720 directions miss it by 0.0003 % at most.
        assert said["diameter_greatest_mm"] == pytest.approx(apart, abs=0.005)
        assert 45 - 0.01 <= said["diameter_greatest_mm"] <= 115 + 0.01
        assert said["diameter_least_mm"] <= said["diameter_mean_mm"] <= said["diameter_greatest_mm"]


def test_bodies_of_the_third_family_are_closed_and_turned_outwards() -> None:
    for seed, form in enumerate(FORMS):
        model = make_fruit(np.random.default_rng([seed, 2]), "green", form=form, detail=0.2)
        mesh = trimesh.Trimesh(model.vertices, model.faces[model.face_part == BODY])
        mesh.merge_vertices(merge_tex=True, merge_norm=True)
        assert mesh.is_watertight
        assert mesh.volume > 0
        stem = model.vertices[np.unique(model.faces[model.face_part == STEM])]
        assert stem[:, 2].max() > 0


def test_bodies_of_the_fourth_family_are_closed_and_as_large_as_they_say() -> None:
    for seed, form in enumerate(fruit_fourth.FORMS):
        model = fruit_fourth.make_fruit(np.random.default_rng([seed, 4]), "red", form=form, detail=0.2)
        body = trimesh.Trimesh(model.vertices, model.faces[model.face_part == BODY], process=False)
        body.remove_unreferenced_vertices()
        assert body.is_watertight
        assert body.volume > 0
        assert len(body.split(only_watertight=False)) == 1
        said = size_of(model)
        low, high = fruit_fourth.GREATEST_MM[form]
        assert low - 0.01 <= said["diameter_greatest_mm"] <= high + 0.01
        assert body.extents[2] == pytest.approx(said["length_mm"], abs=0.002)
        assert np.isfinite(model.vertices).all()


def test_the_third_family_is_wider_than_any_one_form() -> None:
    # Its purpose: nearly round ones and deeply furrowed ones. A circle has 1.0; an ellipse of 4 : 3 has 1.14.
    excess = []
    for seed in range(40):
        said = size_of(make_fruit(np.random.default_rng([seed, 3]), "red", detail=0.1))
        excess.append(said["diameter_greatest_mm"] / said["diameter_mean_mm"] - 1)
    assert min(excess) < 0.025
    assert max(excess) > 0.08


def test_the_same_seed_gives_the_same_scene_and_another_seed_another() -> None:
    first, again, other = (next(iter(outline_scenes(1, seed, source=ALL))) for seed in (21, 21, 22))
    assert [p.truth["diameter_greatest_mm"] for p in first.peppers] == [
        p.truth["diameter_greatest_mm"] for p in again.peppers
    ]
    np.testing.assert_array_equal(first.peppers[0].part, again.peppers[0].part)
    np.testing.assert_array_equal(first.peppers[0].lab, again.peppers[0].lab)
    assert first.peppers[0].truth["diameter_greatest_mm"] != other.peppers[0].truth["diameter_greatest_mm"]


def test_what_is_seen_of_a_lone_lying_pepper_spans_what_its_mesh_spans() -> None:
    # Pixels times distance over focal length: within the tangent effect and a pixel at either side.
    scene = next(iter(outline_scenes(1, 5, source="third", difficulty="easy")))
    for pepper in scene.peppers:
        if pepper.truth["hidden_fraction"] > 0:
            continue
        outline, (blossom, stem) = pepper.truth["outline_px"][0], pepper.truth["axis_px"]
        axis = (stem - blossom) / np.linalg.norm(stem - blossom)
        across = np.array([-axis[1], axis[0]])
        per_mm = np.linalg.norm(stem - blossom) / pepper.truth["length_mm"]
        shown = np.ptp(outline @ across) / per_mm
        if abs(pepper.truth["axis_towards_camera_deg"]) < 10:
            assert shown == pytest.approx(pepper.truth["width_seen_mm"], rel=0.06)


def test_a_donor_moves_the_outline_as_far_as_its_finder_erred() -> None:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = 100 + 40 * np.column_stack([np.cos(angle), np.sin(angle)])
    stem = np.array([0.6, 0.8])
    truth = {"made": {"generator": "third"}, "pose": "lying", "axis_towards_camera_deg": 5.0}
    donor = draw_donor(np.random.default_rng(1), truth, "normal", cued=True)
    moved = misread(circle, donor, middle_of(circle), stem, 70.0, False)
    error = reach_round(moved, middle_of(circle), stem) - reach_round(circle, middle_of(circle), stem)
    # Between two of the 72 directions the error is a straight line: half a step of its steepest part.
    slack = np.abs(np.diff(donor.outline, append=donor.outline[0])).max() * 70 + 0.05
    np.testing.assert_allclose(error, donor.outline * 70, atol=slack)


def test_donors_cover_every_family_and_difficulty() -> None:
    every = itertools.product(("first", "third", "fourth"), ("easy", "normal", "hard"))
    counted = Counter((d.family, d.difficulty) for d in donors())
    assert all(counted[each] > 50 for each in every), counted


def test_a_donor_is_like_the_pepper_it_lends_to() -> None:
    truth = {"made": {"generator": "fourth"}, "pose": "lying", "axis_towards_camera_deg": -40.0}
    rng = np.random.default_rng(2)
    lent = [draw_donor(rng, truth, "hard", cued=False) for _ in range(60)]
    assert {d.family for d in lent} == {"fourth"}
    assert all(d.lying and d.difficulty == "hard" and d.cue_true is None for d in lent)
    hard = [d.tilt_deg for d in donors() if d.family == "fourth" and d.difficulty == "hard" and d.lying]
    assert np.mean([d.tilt_deg for d in lent]) > np.mean(hard) + 5
    strangers = {draw_donor(rng, truth, "hard", cued=False, own=False).family for _ in range(60)}
    assert strangers == {"first", "third", "fourth"}
