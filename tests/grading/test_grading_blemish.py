"""Marked areas against closed forms: caps on a sphere, drawn round with an unsteady finger."""

from __future__ import annotations

import json

import numpy as np
import pytest

from truelobe.grading.blemish import Blemish, measure_blemish, together
from truelobe.grading.spots import likely_spots
from truelobe.messages import TruelobeError

RADIUS_MM, MM_PER_PX = 40.0, 0.25
HALF = int(RADIUS_MM / MM_PER_PX) + 4
BOX = (100, 50, 100 + 2 * HALF + 1, 50 + 2 * HALF + 1)


def sphere():
    """Return body, skin per pixel and facing of a sphere seen from afar (orthographic)."""
    y, x = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1] * MM_PER_PX
    flat = x**2 + y**2
    body = flat < RADIUS_MM**2
    facing = np.sqrt(np.maximum(1 - flat / RADIUS_MM**2, 0.0))
    skin = np.where(body, MM_PER_PX**2 / np.maximum(facing, 0.02), 0.0)
    return body, skin.astype(np.float32), facing.astype(np.float32)


def cap_line(across_mm, tilt_deg, turn_deg, points, jitter_mm=0.0, seed=0):
    """Return the outline in the picture of a round spot lying on the sphere, and its true area in mm2."""
    alpha = across_mm / 2 / RADIUS_MM
    around = np.linspace(0, 2 * np.pi, points, endpoint=False)
    ring = np.stack(
        [np.sin(alpha) * np.cos(around), np.sin(alpha) * np.sin(around), np.full(points, np.cos(alpha))]
    )
    tilt, turn = np.radians([tilt_deg, turn_deg])
    tip = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    xyz = RADIUS_MM * (spin @ tip @ ring)
    xy = xyz[:2].T + np.random.default_rng(seed).normal(0, jitter_mm, (points, 2))
    # Area of a spherical cap: 2 pi r2 (1 - cos alpha).
    return xy / MM_PER_PX + [BOX[0] + HALF, BOX[1] + HALF], 2 * np.pi * RADIUS_MM**2 * (1 - np.cos(alpha))


def test_the_sphere_itself_has_its_visible_half():
    body, skin, _ = sphere()
    # Half of 4 pi r2. The last half pixel of the radius holds sqrt(2 x 0.125 / 40) = 8 % of it, read by one pixel.
    assert skin.sum() == pytest.approx(2 * np.pi * RADIUS_MM**2, rel=0.04)
    assert body.any()


@pytest.mark.parametrize("across", [6.0, 12.0, 30.0])
@pytest.mark.parametrize("tilt", [0.0, 30.0, 55.0])
def test_an_exact_line_gives_the_area_of_the_cap(across, tilt):
    line, true = cap_line(across, tilt, 20, 40)
    made = measure_blemish(line, BOX, *sphere(), lobes_deg=0)
    # A quarter-pixel grid on the smallest spot (24 px across) holds the area to about 1 %.
    assert made.area_mm2.value == pytest.approx(true, rel=0.02)
    assert made.circle_mm.value == pytest.approx(2 * np.sqrt(true / np.pi), rel=0.01)


def test_few_corners_are_rounded_so_that_a_circle_keeps_its_area():
    # A regular octagon holds 90.0 % of its circle: (8 / 2 pi) sin(2 pi / 8).
    line, true = cap_line(20.0, 0.0, 0, 8)
    assert measure_blemish(line, BOX, *sphere(), lobes_deg=0).area_mm2.value == pytest.approx(true, rel=0.02)


def test_finger_lines_give_the_area_within_ten_percent_and_intervals_that_hold():
    # Spots 6 to 30 mm across, within 60 degrees of facing, each corner of a 40-point line 1 mm off.
    random = np.random.default_rng(5)
    errors, inside, scene = [], 0, sphere()
    for n in range(200):
        line, true = cap_line(random.uniform(6, 30), random.uniform(0, 52), random.uniform(0, 360), 40, 1.0, n)
        made = measure_blemish(line, BOX, *scene, scale_u=0.0, lobes_deg=0)
        errors.append(made.area_mm2.value / true - 1)
        inside += made.area_mm2.interval95[0] <= true <= made.area_mm2.interval95[1]
    assert np.sqrt(np.mean(np.square(errors))) <= 0.10
    # 200 spots at 95 %: fewer than 180 inside would happen about once in a thousand (binomial).
    assert inside >= 180


def test_a_finger_strays_on_the_screen_so_small_slanted_marks_stay_whole():
    scene, points, tilt = sphere(), 40, 50.0
    for across in (6.0, 9.0):
        errors = []
        for seed in range(60):
            line, true = cap_line(across, tilt, 6 * seed, points, jitter_mm=1.0, seed=seed)
            errors.append(measure_blemish(line, BOX, *scene, lobes_deg=0).area_mm2.value / true - 1)
        # n points that stray by s on a closed line of length l round an area a move it by s l / sqrt(n) on their
        # own; an ellipse's length after Ramanujan (1914). A third more for the curve to be guessed from them.
        long, short = across / 2, across / 2 * np.cos(np.radians(tilt))
        length = np.pi * (3 * (long + short) - np.sqrt((3 * long + short) * (long + 3 * short)))
        alone = length / np.sqrt(points) / (np.pi * long * short)
        assert np.sqrt(np.mean(np.square(errors))) < 1.33 * alone


def test_skin_that_strays_from_the_smooth_body_has_the_area_its_slopes_give():
    # Small spots all over the visible half of a ball, each with its normal turned aside by 12 degrees either way:
    # the spot's true area over its area in the picture is 1 / cosine of the turned normal.
    random = np.random.default_rng(8)
    ratios, inside, scene = [], 0, sphere()
    for n in range(300):
        # Even in the picture.
        tilt = np.degrees(np.arcsin(np.sqrt(random.uniform(0, np.sin(np.radians(70)) ** 2))))
        line, area = cap_line(10.0, tilt, 0, 40, 0.0, n)
        aside = np.radians(random.normal(0, 12.0, 2))
        true_cosine = np.cos(np.radians(tilt) + aside[0]) * np.cos(aside[1])
        if true_cosine < np.cos(np.radians(75)):
            continue  # nobody can draw round it
        true = area * np.cos(np.radians(tilt)) / true_cosine
        made = measure_blemish(line, BOX, *scene, finger_mm=0.2, scale_u=0.0)
        ratios.append(made.area_mm2.value / true)
        inside += made.area_mm2.interval95[0] <= true <= made.area_mm2.interval95[1]
    assert np.median(ratios) == pytest.approx(1.0, abs=0.04)
    # At 95 % about 285 of 300; fewer than 270 would be a chance of one in a thousand.
    assert inside / len(ratios) >= 0.90


def test_towards_the_rim_the_uncertainty_grows_and_another_photo_is_asked_for():
    relative = []
    for tilt in (0.0, 40.0, 68.0):
        line, _ = cap_line(15.0, tilt, 0, 40)
        made = measure_blemish(line, BOX, *sphere())
        relative.append(made.area_mm2.standard_uncertainty / made.area_mm2.value)
    assert relative[0] < relative[1] < relative[2]
    assert [m.code for m in made.messages] == ["mark-near-the-rim"]
    assert made.steep_share > 0.8


def test_marks_of_one_defect_add_up_with_their_errors_going_the_same_way():
    line, _ = cap_line(12.0, 0.0, 0, 40)
    one = measure_blemish(line, BOX, *sphere(), fact="scars")
    both = together([one, one], "scars")
    assert both.value == pytest.approx(2 * one.area_mm2.value)
    assert both.standard_uncertainty == pytest.approx(2 * one.area_mm2.standard_uncertainty)
    assert together([one], "hail") is None


def test_a_mark_survives_its_document():
    line, _ = cap_line(12.0, 65.0, 0, 40)
    one = measure_blemish(line, BOX, *sphere(), fact="scars")
    back = Blemish.from_document(json.loads(json.dumps(one.document())))
    assert back.area_mm2 == one.area_mm2
    assert back.fact == "scars"
    assert [m.code for m in back.messages] == [m.code for m in one.messages]


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ([[0, 0], [1, 1]], "mark-too-small"),
        ([[0, 0], [1, 1], [float("nan"), 2]], "mark-too-small"),
        ([[-900, -900], [-890, -900], [-890, -890]], "mark-outside"),
        ([[101, 51], [103, 51], [103, 53]], "mark-outside"),
    ],
)
def test_a_mark_that_cannot_be_measured_is_refused_in_words(line, code):
    with pytest.raises(TruelobeError) as refused:
        measure_blemish(line, BOX, *sphere())
    assert refused.value.message.code == code


def test_spots_are_pointed_out_by_look_and_never_named():
    body, _, facing = sphere()
    lab = np.empty((*body.shape, 3), dtype=np.float32)
    lab[:] = (40.0, 45.0, 30.0)
    lab[..., 0] += np.random.default_rng(2).normal(0, 1.0, body.shape)
    y, x = np.mgrid[: body.shape[0], : body.shape[1]]
    dark, scar, glint = (np.hypot(x - a, y - b) < r for a, b, r in ((120, 150, 12), (210, 190, 14), (205, 110, 9)))
    lab[dark] = (15.0, 5.0, 2.0)
    lab[scar] = (64.0, 18.0, 36.0)  # healed skin: lighter, less red, still yellowish
    lab[glint] = (82.0, 12.0, 3.0)  # a lamp's own white over the skin's color
    # A groove in shadow: a third of the light, which scales L* + 16, a* and b* by the cube root (CIE 15).
    groove = np.abs(x - 165) < 7
    third = (1 / 3) ** (1 / 3)
    lab[groove] = (56.0 * third - 16.0, 45.0 * third, 30.0 * third)
    # Ripe skin on one side only: a border, not a spot.
    lab[:, :75] = (38.0, -18.0, 24.0)
    found = likely_spots(lab, body, facing)
    assert len(found) == 2
    looks = {spot.look: spot for spot in found}
    assert set(looks) == {"dark", "pale"}
    assert looks["dark"].centre_px == pytest.approx((120, 150), abs=2)
    assert looks["pale"].centre_px == pytest.approx((210, 190), abs=2)
    assert likely_spots(np.full_like(lab, 40.0), body, facing) == ()
